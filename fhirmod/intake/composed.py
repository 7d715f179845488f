r"""One row, and one criterion, for the two values of a composite parameter that stand together.

::

    row of the first   (param, text,  scope,                                -,   -)     a code and its system
    row of the second  (param, text,  scope,                                low, high)  a token, text, time, quantity
    row of both        (param, first, scope of first RS second US scope GS, low, high)

RS, US and GS are control characters that no string of FHIR may hold, so a part is found between two of them. The
code of the first and the range of the second stay columns: they are what an index can narrow.
Source: http://hl7.org/fhir/R4/search.html#composite; http://hl7.org/fhir/R4/datatypes.html#string (no characters
below 32 but tab, line feed and carriage return).
"""

from fhirmod.store import Clause, Part, Value

LONGEST_PART = 150  # characters of each part that are compared: they share what PostgreSQL keeps in one index row
_RS, _US, _GS = "\x1e", "\x1f", "\x1d"


def both(param: str, first: Value, second: Value) -> Value:
    r"""Return the row of two values that stand together.

    >>> both("p", ("p", "8480-6", "urn:l", 0.0, 0.0), ("p", "mm[Hg]", "urn:u", 120.0, 120.0))
    ('p', '8480-6', 'urn:l\x1emm[Hg]\x1furn:u\x1d', 120.0, 120.0)
    """
    _, code, system, _, _ = first
    _, text, scope, low, high = second
    return param, _cut(code), f"{_cut(system)}{_RS}{_cut(text)}{_US}{_cut(scope)}{_GS}", low, high


def met_by_both(first: Clause, second: Clause) -> Clause:
    """Return the clause that the row of two values meets if one meets the first and the other the second.

    Shape: the first is a token's, with `=` alone, and that it has no range says nothing of the pair; of a text that
           only begins so, its beginning says it all.
    """
    parts: list[Part] = []
    for column, _, value in first:
        if column == "text":
            parts.append(("text", "=", _cut(str(value))))
        elif column == "scope":
            system = _cut(str(value))
            parts += [("scope", ">=", system + _RS), ("scope", "<", system + _US)]
    for column, operator, value in second:
        if column in ("low", "high"):
            parts.append((column, operator, value))
        elif column == "scope":
            parts.append(("scope", "holds", f"{_US}{_cut(str(value))}{_GS}"))
        elif operator == "=":
            parts.append(("scope", "holds", f"{_RS}{_cut(str(value))}{_US}"))
        elif operator == ">=":
            parts.append(("scope", "holds", f"{_RS}{_cut(str(value))}"))
    return tuple(parts)


def _cut(text: str) -> str:
    return text[:LONGEST_PART]
