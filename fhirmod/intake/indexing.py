"""What a resource is found by, as rows of the store: one for each value of each R4 search parameter.

A row is (param, text, scope, low, high). Tokens: code and system (as `brief` has it); texts: folded, and as they stand;
references: id and type, or an address and "" (but see `narrowed`); what has a range: its ends, a time in microseconds
since 1970. A quantity has one row with its unit as text, and one as a bare number (`value-quantity:number`). A time of
more than a day, and a number that is a range, has `LONG` at the end of its text: of all others the beginning says
within a day, or at once, where they end, so one index narrows both. Parameters that R4 defines as the union of two
others (`combo-code`) have no rows: both are asked; nor has one that is another narrowed (`patient`). A composite has a
row for each pair of values that stand together (`composed`). What a token is called has a row (`code:text`). The hot
types have a wide row for each code with the time beside it (`code:date`). Who changes what rows there are, adds a
revision that says that the index is to be made anew.
"""

import math
import unicodedata
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache, lru_cache
from hashlib import sha256
from itertools import pairwise, product
from typing import Any

from fhirmod.mapping import searches
from fhirmod.r4 import (
    RESOURCE_TYPES,
    CompositeValue,
    DateValue,
    NumberValue,
    QuantityValue,
    ReferenceValue,
    SearchParameter,
    SearchValue,
    StringValue,
    TokenValue,
    UriValue,
    dump,
    outside,
    reached,
    values_of,
)
from fhirmod.store import Value, microseconds

from .composed import LONGEST_PART, both
from .narrowed import Narrowed, narrowed
from .wide import WIDE, side_by_side

LONGEST = 400  # characters of a text that are compared; PostgreSQL keeps at most 2,700 bytes in one index row
_MOST_BYTES = 1200
_LONGEST_KNOWN = 2_000  # bytes of a part of a resource whose rows are kept
UNIONS: Mapping[str, tuple[str, ...]] = {
    "combo-code": ("code", "component-code"),
    "combo-code-value-concept": ("code-value-concept", "component-code-value-concept"),
    "combo-code-value-quantity": ("code-value-quantity", "component-code-value-quantity"),
    "combo-data-absent-reason": ("data-absent-reason", "component-data-absent-reason"),
    "combo-value-concept": ("value-concept", "component-value-concept"),
    "combo-value-quantity": ("value-quantity", "component-value-quantity"),
}
END = 1e300  # an open end of a range; SQLite has no infinity that can be written
OF_TYPE = "identifier:of-type"
TEXT = ":text"  # behind a token's parameter: what its values are called
DAY = 86_400_000_000.0
LONG = "\x1c"  # a control character, as in `composed`: no string of FHIR holds it
UNTOLD = frozenset(("_tag", "_security"))  # what these are called, nobody asks
_SPECIAL = frozenset(("_id", "_lastUpdated", "identifier"))
_SWAPPED = frozenset(("relationship",))  # of DocumentReference: R4 4.0.1 reads code as reference, target as code


def cut(text: str) -> str:
    """Return what of a text is compared: 400 characters, as far as 1,200 bytes hold them.

    >>> len(cut("x" * 500)), len(cut("北" * 500)), len(cut("🩸" * 500))
    (400, 400, 300)
    """
    some = text[:LONGEST]
    if len(some) <= _MOST_BYTES // 4 or max(some) <= "\uffff":
        return some
    return some.encode()[:_MOST_BYTES].decode(errors="ignore")


@lru_cache(maxsize=1024)
def brief(system: str) -> str:
    """Return what stands in the rows for a system, which is asked for whole or not at all: 48 bits of a hash.

    >>> brief("http://loinc.org"), brief("")
    ('wOdRA0bF', '')
    """
    return b64encode(sha256(system.encode()).digest()[:6]).decode() if system else ""


@lru_cache(maxsize=4096)
def fold(text: str) -> str:
    """Return a text without case and accents, as R4 compares strings; the same codes have the same displays again.

    >>> fold("Muñoz ÉLODIE")
    'munoz elodie'

    Source: http://hl7.org/fhir/R4/search.html#string (insensitive to case and accents).
    """
    parted = unicodedata.normalize("NFKD", text.casefold())
    return cut("".join(one for one in parted if not unicodedata.combining(one)))


@cache
def indexed_parameters(type_: str) -> Mapping[str, SearchParameter]:
    """Return the parameters of a type that have rows; not those of the store's own index (`identifier`)."""
    unanswered = {url for url, why in outside().items() if "a function of its own" not in why}
    return {
        name: one
        for name, one in searches(type_).items()
        if name not in _SPECIAL | _SWAPPED and name not in UNIONS and one.url not in unanswered
    }


@dataclass(frozen=True, slots=True)
class _Part:
    """Some properties of a resource, and its type; the same text is the same part."""

    text: bytes
    content: dict[str, Any] = field(compare=False)


@lru_cache(maxsize=1024)
def _groups(type_: str, there: frozenset[str]) -> tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]:
    """Return parameters that may have rows of their own, by the properties that they look at.

    Shape: (properties, parameters); a few dozen sets of properties are all there is.
    """
    found: dict[tuple[str, ...], list[str]] = {}
    for name, one in indexed_parameters(type_).items():
        if name not in narrowed(type_) and (keys := reached(one, there)):
            inside = {"contained"} & there if one.type == "reference" else set[str]()
            found.setdefault(tuple(sorted(keys | inside)), []).append(name)
    return tuple((keys, tuple(names)) for keys, names in found.items())


@lru_cache(maxsize=1024)
def _rows_of(type_: str, names: tuple[str, ...], part: _Part) -> tuple[Value, ...]:
    """Return the rows of some parameters; most of what a resource says was said before, by it or by another."""
    rows: dict[Value, None] = {}
    for name in names:
        parameter = indexed_parameters(type_)[name]
        found = values_of(parameter, part.content)
        own = dict.fromkeys(row for value in found for row in _rows(name, value))
        if parameter.type == "token":
            if len(own) > 1:  # a text alone says that there is something, as others do
                own.pop((name, "", "", 0.0, 0.0), None)
            if name not in UNTOLD:
                own |= dict.fromkeys(_called(name, found))
        rows |= own
    return tuple(rows)


def values(resource: Mapping[str, Any]) -> tuple[Value, ...]:
    """Return the rows of a resource, each once; paths whose first element is not there are not followed."""
    type_ = str(resource["resourceType"])
    if type_ not in RESOURCE_TYPES:
        return ()
    there = dict(resource)
    rows: dict[Value, None] = {}
    for keys, names in _groups(type_, frozenset(there)):
        content = {"resourceType": type_, **{key: there[key] for key in keys}}
        text = dump(content)
        known = _rows_of if len(text) <= _LONGEST_KNOWN else _rows_of.__wrapped__
        rows |= dict.fromkeys(known(type_, names, _Part(text, content)))
    for name, only in narrowed(type_).items():
        untold = f"{only.of}:identifier"
        if any(param == untold or (param == only.of and not scope) for param, _, scope, _, _ in rows):
            _narrow(searches(type_)[name], only, there, rows)
    identifiers = there.get("identifier", ())
    if any("type" in one for one in (identifiers if isinstance(identifiers, list) else (identifiers,))):
        rows |= dict.fromkeys(_typed(type_, there))
    if type_ in WIDE:
        rows |= dict.fromkeys(side_by_side(*WIDE[type_], rows))
    return tuple(rows)


def _narrow(parameter: SearchParameter, only: Narrowed, resource: dict[str, Any], rows: dict[Value, None]) -> None:
    """Return nothing; a row with an address says what it is of, as the narrowed parameter knows it."""
    for value in values_of(parameter, resource):
        for row in _rows(parameter.code, value):
            param, text, scope, low, high = row
            if param != parameter.code:
                rows[row] = None
            elif not scope and (":" in text or text.startswith("#")):  # no id, which a chain could take for one
                rows.pop((only.of, text, "", low, high), None)  # the same address may stand twice
                rows[only.of, text, only.to, low, high] = None


def _typed(type_: str, resource: dict[str, Any]) -> Iterator[Value]:
    """Yield the rows of the types of identifiers, by their codes (`identifier:of-type`) and their text."""
    found = values_of(searches(type_)["identifier"], resource) if "identifier" in searches(type_) else []
    yield from _called("identifier", found)
    for value in found:
        if isinstance(value, TokenValue) and value.code:
            for system, code in value.types:
                yield OF_TYPE, _cut(value.code), kind(system, code), 0.0, 0.0


def _called(param: str, values: Iterable[SearchValue]) -> Iterator[Value]:
    """Yield the rows of what tokens are called; whoever asks for the beginning of one asks for that of a longer one."""
    texts = {fold(one.text) for one in values if isinstance(one, TokenValue) and one.text} - {""}
    for text, after in pairwise([*sorted(texts), ""]):
        if not after.startswith(text):
            yield f"{param}{TEXT}", text, "", 0.0, 0.0


def kind(system: str | None, code: str | None) -> str:
    """Return how the type of an identifier stands in its row."""
    return f"{(system or '')[:LONGEST_PART]}\x1f{(code or '')[:LONGEST_PART]}"


def _rows(param: str, value: SearchValue) -> Iterator[Value]:
    match value:
        case TokenValue():
            yield param, _cut(value.code), brief(value.system or ""), 0.0, 0.0
        case StringValue():
            yield param, fold(value.text), cut(value.text), 0.0, 0.0
        case UriValue():
            yield param, _cut(value.uri), "", 0.0, 0.0
        case ReferenceValue():
            if value.reference is not None:
                yield (param, *target(value.reference), 0.0, 0.0)
            if value.identifier is not None:
                identifier = value.identifier
                yield f"{param}:identifier", _cut(identifier.code), brief(identifier.system or ""), 0.0, 0.0
        case DateValue():
            low = -END if value.low is None else microseconds(value.low)
            high = END if value.high is None else microseconds(value.high)
            yield param, LONG if high - low > DAY else "", "", low, high
        case NumberValue():
            low, high = _end(value.low, -END), _end(value.high, END)
            yield param, LONG if high > low else "", "", low, high
        case QuantityValue():
            unit, system = value.code or value.unit, value.system if value.code else ""
            low, high = _end(value.low, -END), _end(value.high, END)
            wide = LONG if high > low else ""
            yield param, f"{_cut(unit)}{wide}", brief(system or ""), low, high
            if value.code and value.unit and value.unit != value.code:
                yield param, f"{_cut(value.unit)}{wide}", "", low, high
            yield f"{param}:number", wide, "", low, high
        case CompositeValue((first, second)):
            for one, other in product(_found_by(param, first), _found_by(param, second)):
                yield both(param, one, other)


def _found_by(param: str, together: tuple[SearchValue, ...]) -> list[Value]:
    """Return the rows of one part of a composite; a concept that is only text is found by no code."""
    coded = (one for one in together if not isinstance(one, TokenValue) or one.code or one.system)
    return [row for one in coded for row in _rows(param, one) if row[0] == param]


def target(reference: str) -> tuple[str, str]:
    """Return (id, type) of a relative reference, (address, "") of any other.

    >>> target("Patient/p"), target("Patient/p/_history/2"), target("http://elsewhere.example/Patient/p")
    (('p', 'Patient'), ('p', 'Patient'), ('http://elsewhere.example/Patient/p', ''))
    """
    type_, _, id_ = reference.partition("/")
    id_ = id_.partition("/_history/")[0]
    if type_ in RESOURCE_TYPES and id_ and "/" not in id_:
        return id_, type_
    return _cut(reference), ""


def _cut(text: str | None) -> str:
    return cut(text or "")


def _end(amount: Decimal | None, otherwise: float) -> float:
    return otherwise if amount is None or not math.isfinite(amount) else max(-END, min(END, float(amount)))
