"""The grammars of R4's primitive types and of the code lists that are grammars (mime types, languages).

Each test takes a JSON value and says whether it is one; what to say when it is not stands in `WANTED`.
Source: http://hl7.org/fhir/R4/datatypes.html#primitive; RFC 6838 and 2045 (mime), RFC 5646 (language tags),
        ISO 4217 (currencies, by form only).
"""

import math
import re
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Any

from .dates import is_date, is_date_time, is_instant, is_time

Grammar = Callable[[Any], bool]

_CODE = re.compile(r"[^ \t\r\n\f\v]+(?:[ \t\r\n][^ \t\r\n\f\v]+)*")
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")
_SPACE = re.compile(r"[ \t\r\n\f\v]")
_OID = re.compile(r"urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+")
_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_BASE64 = re.compile(r"(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?")
MAX_STRING = 1024 * 1024


def _text(fits: Callable[[str], Any]) -> Grammar:
    return lambda value: type(value) is str and bool(fits(value))


def _string(value: Any) -> bool:
    return type(value) is str and 0 < len(value) <= MAX_STRING


def _whole(low: int, high: int) -> Grammar:
    return lambda value: type(value) is int and low <= value <= high


def _decimal(value: Any) -> bool:
    kind = type(value)
    return kind is Decimal or kind is int or (kind is float and math.isfinite(value))


def _base64(value: Any) -> bool:
    if type(value) is not str:
        return False
    bare = value if value.isalnum() else _SPACE.sub("", value)
    return bare != "" and _BASE64.fullmatch(bare) is not None


def _uri(value: Any) -> bool:
    return type(value) is str and value != "" and not _SPACE.search(value)


PRIMITIVE: Mapping[str, Grammar] = {
    "base64Binary": _base64,
    "boolean": lambda value: type(value) is bool,
    "canonical": _uri,
    "code": _text(_CODE.fullmatch),
    "date": _text(is_date),
    "dateTime": _text(is_date_time),
    "decimal": _decimal,
    "id": _text(_ID.fullmatch),
    "instant": _text(is_instant),
    "integer": _whole(-(2**31), 2**31 - 1),
    "markdown": _string,
    "oid": _text(_OID.fullmatch),
    "positiveInt": _whole(1, 2**31 - 1),
    "string": _string,
    "time": _text(is_time),
    "unsignedInt": _whole(0, 2**31 - 1),
    "uri": _uri,
    "url": _uri,
    "uuid": _text(_UUID.fullmatch),
    "xhtml": _string,
}

WANTED: Mapping[str, str] = {
    "base64Binary": "text in base64 (RFC 4648), not empty",
    "boolean": "true or false without quotes",
    "canonical": "a URI without spaces",
    "code": "text without leading, trailing or double spaces, not empty",
    "date": "a year, month or day of the calendar: YYYY, YYYY-MM or YYYY-MM-DD",
    "dateTime": "YYYY, YYYY-MM, YYYY-MM-DD or YYYY-MM-DDThh:mm:ss with Z or an offset, and a day that exists",
    "decimal": "a number without quotes",
    "id": "1 to 64 letters, digits, hyphens or points",
    "instant": "YYYY-MM-DDThh:mm:ss with Z or an offset, and a day that exists",
    "integer": "a whole number without quotes, fraction or exponent, within 32 bits",
    "markdown": "text of 1 to 1,048,576 characters",
    "oid": "urn:oid: and numbers joined by points",
    "positiveInt": "a whole number from 1 to 2,147,483,647 without quotes",
    "string": "text of 1 to 1,048,576 characters",
    "time": "hh:mm:ss without an offset",
    "unsignedInt": "a whole number from 0 to 2,147,483,647 without quotes",
    "uri": "a URI without spaces, not empty",
    "url": "a URL without spaces, not empty",
    "uuid": "urn:uuid: and a UUID in lower case",
    "xhtml": "one XHTML div as text",
}


def is_element_id(value: Any) -> bool:
    """Return whether a value is the id of an element: any text without spaces (element.html#id)."""
    return type(value) is str and value != "" and not _SPACE.search(value)


def is_relative(value: str) -> bool:
    """Return whether a URI that names something everywhere (a system, a canonical) is relative."""
    return ":" not in value and not value.startswith("#")


def odd_text(value: str) -> bool:
    """Return whether a text is only white space or has control characters, which R4 says it should not."""
    if value.isprintable() and value[:1] != " ":
        return False
    return value.strip() == "" or any(letter < " " and letter not in "\t\r\n" for letter in value)


_URN = re.compile(
    r"urn:(?:uuid:[0-9a-fA-F]{8}(?:-[0-9a-fA-F]{4}){3}-[0-9a-fA-F]{12}|oid:[0-2](?:\.(?:0|[1-9]\d*))+)(?:[#|].*)?"
)


def odd_urn(value: str) -> bool:
    """Return whether a URI says it is a UUID or OID but is none."""
    return value.startswith(("urn:uuid:", "urn:oid:")) and _URN.fullmatch(value) is None


_NAME = r"[A-Za-z0-9!#$&^_.+\-]+"
_MIME = re.compile(
    rf"{_NAME}/{_NAME}(?:[ ]*;[ ]*[A-Za-z0-9!#$&^_.+\-*']+=(?:[^\s;\"()<>@,\\]+|\"(?:[^\"\\]|\\.)*\"))*[ ]*"
)
# The short names R4 itself gives its formats (http://hl7.org/fhir/R4/http.html#mime-type).
_SHORT_MIME = frozenset(("xml", "json", "ttl"))


def is_mime(value: str) -> bool:
    """Return whether a text is a media type with its parameters, or one of R4's short names."""
    return value in _SHORT_MIME or _MIME.fullmatch(value) is not None


_LANGUAGE = re.compile(
    r"(?:(?:[a-z]{2,3}(?:-[a-z]{3}){0,3}|[a-z]{4}|[a-z]{5,8})"
    r"(?:-[a-z]{4})?(?:-(?:[a-z]{2}|\d{3}))?(?:-(?:[a-z0-9]{5,8}|\d[a-z0-9]{3}))*"
    r"(?:-[0-9a-wy-z](?:-[a-z0-9]{2,8})+)*(?:-x(?:-[a-z0-9]{1,8})+)?"
    r"|x(?:-[a-z0-9]{1,8})+|i-[a-z]+|sgn-[a-z]{2}-[a-z]{2}|zh-min(?:-nan)?|en-gb-oed|art-lojban|cel-gaulish"
    r"|zh-guoyu|zh-hakka|zh-xiang|no-bok|no-nyn)",
    re.IGNORECASE | re.ASCII,
)


def is_language(value: str) -> bool:
    """Return whether a text is a well-formed language tag."""
    return _LANGUAGE.fullmatch(value) is not None


_CURRENCY = re.compile(r"[A-Z]{3}")


def is_currency(value: str) -> bool:
    """Return whether a text has the form of a currency code (three capitals); the list is not carried."""
    return _CURRENCY.fullmatch(value) is not None


def form(value: Any) -> str:
    """Return the outline of a value, for a sentence that must not repeat what it says.

    >>> form("1980-02-30"), form(5), form(None), form([1])
    ('text of the form 9999-99-99', 'a whole number', 'null', 'a list')
    """
    if isinstance(value, str):
        if value == "":
            return "an empty text"
        outline = "".join("9" if c.isdigit() else "a" if c.isalpha() else c for c in value[:32])
        outline = "".join(c if c.isprintable() else "." for c in outline)
        return f"text of the form {outline}{'...' if len(value) > 32 else ''}"
    for kind, said in _KINDS:
        if isinstance(value, kind):
            return said
    return "something JSON has no form for"


_KINDS: tuple[tuple[Any, str], ...] = (
    (bool, "true or false"),
    (int, "a whole number"),
    (float | Decimal, "a number with fraction or exponent"),
    (dict, "an object"),
    (list, "a list"),
    (type(None), "null"),
)
