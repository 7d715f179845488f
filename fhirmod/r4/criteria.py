"""What the value of a search parameter asks for: its alternatives, and tokens, with R4's escapes undone.

Source: http://hl7.org/fhir/R4/search.html#escaping, #token.
"""

import re

_ALTERNATIVE = re.compile(r"(?:\\[\\,$|]|[^,])+", re.DOTALL)
_BAR = re.compile(r"\\[\\,$|]|\|")
_DOLLAR = re.compile(r"\\[\\,$|]|\$")
_ESCAPED = re.compile(r"\\([\\,$|])")


def alternatives(value: str) -> list[str]:
    r"""Return what stands between the commas of a value, still escaped; empty alternatives are left out.

    >>> alternatives(r"a,b\,c,,d\\,e")
    ['a', 'b\\,c', 'd\\\\', 'e']
    """
    return _ALTERNATIVE.findall(value)


def unescaped(text: str) -> str:
    r"""Return a text with R4's escapes undone; a backslash before anything else stands for itself.

    >>> unescaped(r"a\,b\\,c\d")
    'a,b\\,c\\d'
    """
    return _ESCAPED.sub(r"\1", text)


def composed(text: str) -> list[str]:
    r"""Return what stands between the dollars of a composite value, still escaped.

    >>> composed(r"8480-6$gt120||mm[Hg]"), composed(r"a\$b$c"), composed("a")
    (['8480-6', 'gt120||mm[Hg]'], ['a\\$b', 'c'], ['a'])

    Source: http://hl7.org/fhir/R4/search.html#composite.
    """
    parts, begin = [], 0
    for found in _DOLLAR.finditer(text):
        if found[0] == "$":
            parts.append(text[begin : found.start()])
            begin = found.end()
    return [*parts, text[begin:]]


def token(text: str) -> tuple[str | None, str | None]:
    r"""Return (system, code) of an alternative: None for any system or any code, "" for no system.

    >>> token("c"), token("s|c"), token("|c"), token("s|"), token(r"a\|b")
    ((None, 'c'), ('s', 'c'), ('', 'c'), ('s', None), (None, 'a|b'))
    """
    for found in _BAR.finditer(text):
        if found[0] == "|":
            return unescaped(text[: found.start()]), unescaped(text[found.end() :]) or None
    return None, unescaped(text)
