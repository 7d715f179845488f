"""A code and a time in one row, for types that are asked for by both: the rows, and the criteria they answer.

::

    row of the code  (code,      text,          scope, 0, 0)
    row of the time  (date,      "" or LONG,    "",    low, high)
    wide row         (code:date, text [+ LONG], scope, low, high)
"""

from collections.abc import Iterable, Mapping, Sequence
from itertools import product
from math import prod

from fhirmod.store import Clause, Criterion, Sought, Value

WIDE: Mapping[str, tuple[str, str]] = {  # a code, and a time of which there is one at most
    "MedicationAdministration": ("code", "effective-time"),
    "Observation": ("code", "date"),
    "Procedure": ("code", "date"),
}
_MOST = 200  # clauses of one criterion


def side_by_side(code: str, time: str, rows: Iterable[Value]) -> list[Value]:
    """Return the rows of each code with the time beside it."""
    coded = [(text, scope) for param, text, scope, _, _ in rows if param == code and text]
    timed = [(text, low, high) for param, text, _, low, high in rows if param == time]
    return [(f"{code}:{time}", f"{text}{long}", scope, low, high) for long, low, high in timed for text, scope in coded]


def merged(type_: str, criteria: Sequence[Criterion]) -> list[Criterion]:
    """Return the criteria with those of a code and a time as one, where a wide row holds both.

    Shape: as many criteria of the time as there are; one row has one time, so all of them are asked of the same row.
    """
    if type_ not in WIDE:
        return list(criteria)
    code, time = WIDE[type_]
    own = [one for one in criteria if isinstance(one, Sought) and not one.none and all(one.clauses)]
    timed = [one for one in own if one.params == (time,)]
    coded = [one for one in own if one.params == (code,) and all(_is_code(clause) for clause in one.clauses)][:1]
    if not timed or len(timed) + len(coded) < 2 or prod(len(one.clauses) for one in timed + coded) > _MOST:
        return list(criteria)
    clauses = [clause for each in product(*[one.clauses for one in timed]) if (clause := _at_once(each))]
    wide = Sought((time,), tuple(clauses))
    if coded:
        wide = Sought((f"{code}:{time}",), tuple(_beside(one, two) for one in coded[0].clauses for two in clauses))
    return [wide, *[one for one in criteria if one not in timed + coded]]


def _is_code(clause: Clause) -> bool:
    return any(column == "text" and value for column, _, value in clause)


def _at_once(clauses: Sequence[Clause]) -> Clause:
    """Return the clause of a time that meets all of these; nothing if they are of a day and of longer."""
    lengths = {value for clause in clauses for column, _, value in clause if column == "text"}
    ranges = [part for clause in clauses for part in clause if part[0] != "text"]
    return (("text", "=", lengths.pop()), *ranges) if len(lengths) == 1 else ()


def _beside(code: Clause, time: Clause) -> Clause:
    """Return the clause of the wide row that meets both."""
    (length,) = [str(value) for column, _, value in time if column == "text"]
    named: Clause = tuple(
        (column, "=", f"{value}{length}" if column == "text" else value) for column, _, value in code if column != "low"
    )
    return (*named, *[part for part in time if part[0] != "text"])
