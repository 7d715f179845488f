"""Two-way codecs between an entry field's value and a FHIR value[x], found from the field's own annotation.

A number takes the unit of its `quantity`; a word takes the concept `<kind>.<field>.<word>`; yes and no are booleans.
"""

import types
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel

from fhirmod.episode import Absent, Entry, Moment, unit_of
from terminology import concept, find

from . import absence
from .units import converted
from .urls import UCUM


class Unread(Exception):  # noqa: N818  not an error: the resource is kept, served, and listed as unread
    """Why a resource (or one of its values) could not be read as an entry, in words for the receipt.

    Shape: `complete` where what it says is in the record without it (a copy, a sum) or is about somebody else, so
           that nothing is missing.
    """

    def __init__(self, reason: str, *, complete: bool = False) -> None:
        super().__init__(reason)
        self.complete = complete


@dataclass(frozen=True, slots=True)
class Codec:
    """How one field's value looks as value[x]: the suffix, the two directions, and the unit of a number.

    Shape: `unit` is a quantity's, `answers` the concept key of the question whose answers are the codes.

    Errors: `read` raises `Unread` with the reason when the value is valid FHIR that we cannot take as this field.
    """

    suffix: str
    write: Callable[[Any], Any]
    read: Callable[[Any], Any]
    many: bool = False
    unit: str | None = None
    answers: str | None = None


def codec_of(model: type[BaseModel], field: str, key: str) -> Codec:
    """Return the codec of a field (dotted for a field inside a part); `key` is its concept key."""
    first, _, rest = field.partition(".")
    info = model.model_fields[first]
    if rest:
        return codec_of(_part_of(info.annotation), rest, f"{key}")
    unit = next((found for item in info.metadata if (found := unit_of(item))), None)
    return _codec(info.annotation, key, unit)


def _codec(annotation: Any, key: str, unit: str | None) -> Codec:
    arms, unit = _arms(annotation, unit)
    if unit is not None:
        return _quantity(unit)
    [only] = arms
    if get_origin(only) is tuple:
        words, _ = _arms(get_args(only)[0], None)
        return _word(key, get_args(words[0]), many=True)
    if get_origin(only) is Literal:
        words_ = get_args(only)
        return _boolean_word() if set(words_) == {"yes", "no"} else _word(key, words_)
    if only is bool:
        return Codec("Boolean", bool, _read_bool)
    if only is Moment:
        return Codec("DateTime", str, _read_moment)
    return Codec("String", str, str)


def words_of(annotation: Any) -> tuple[str, ...]:
    """Return the words of a field that takes one word (None and Absent left out)."""
    [only] = _arms(annotation, None)[0]
    return get_args(only)


def _arms(annotation: Any, unit: str | None) -> tuple[list[Any], str | None]:
    """Return the alternatives of an annotation without None and Absent, and the unit found on the way."""
    if get_origin(annotation) is Annotated:
        inner, *metadata = get_args(annotation)
        unit = unit or next((found for item in metadata if (found := unit_of(item))), None)
        return _arms(inner, unit)
    if get_origin(annotation) in (Union, types.UnionType):
        flat: list[Any] = []
        for arm in get_args(annotation):
            inner_arms, unit = _arms(arm, unit)
            flat += inner_arms
        return [arm for arm in flat if arm not in (type(None), Absent)], unit
    return [annotation], unit


def _part_of(annotation: Any) -> type[BaseModel]:
    [part] = [arm for arm in _arms(annotation, None)[0] if isinstance(arm, type) and issubclass(arm, BaseModel)]
    return part


def _quantity(unit: str) -> Codec:
    def write(value: Decimal) -> dict[str, Any]:
        return {"value": value, "unit": unit, "system": UCUM, "code": unit}

    def read(value: Any) -> Decimal | Absent | None:
        if "value" in value:
            return read_quantity(value, unit)
        shadow = value.get("_value") or value
        return absence.from_extension(shadow.get("extension")) or read_quantity(value, unit)

    return Codec("Quantity", write, read, unit=unit)


def read_quantity(value: Any, unit: str) -> Decimal | None:
    """Return the number of a Quantity in the expected UCUM unit, or None if it has no value.

    Shape:  digits are kept; a number in another UCUM unit of the same measure is converted.
    Errors: Unread if it carries a comparator (more than 500 is not 500) or a unit of something else.
    """
    if "comparator" in value:
        raise Unread(f"the value has the comparator {value['comparator']!r}, so it is not a number of its own")
    if "value" not in value:
        return None
    stated = value.get("code") if value.get("system") in (UCUM, None) else None
    stated = stated or value.get("unit")
    number = Decimal(value["value"])
    if stated == unit or (unit.startswith("{") and stated in (None, "1")):
        return number
    if value.get("system") == UCUM and stated and (same := converted(number, stated, unit)) is not None:
        return same
    raise Unread(f"the unit is {stated!r}; {unit!r} is read here")


def _word(key: str, words: tuple[str, ...], *, many: bool = False) -> Codec:
    candidates = {f"{key}.{word}": word for word in words}

    def write(word: str) -> Any:
        return concept(f"{key}.{word}").codeable

    def read(value: Any) -> str:
        found = find(value.get("coding", ()), candidates)
        if found is None:
            codes = ", ".join(str(c.get("code")) for c in value.get("coding", ())) or "no code"
            raise Unread(f"the code {codes} is none we know for {key}")
        return candidates[found]

    return Codec("CodeableConcept", write, read, many, answers=key)


def _boolean_word() -> Codec:
    return Codec("Boolean", lambda word: word == "yes", lambda value: "yes" if _read_bool(value) else "no")


def _read_moment(value: Any) -> Moment:
    try:
        return Moment(value)
    except ValueError as wrong:
        raise Unread(f"the date {value!r} is not read here: {wrong}") from None


def _read_bool(value: Any) -> bool:
    if not isinstance(value, bool):
        raise Unread("the value is not a boolean")
    return value


def own_fields(model: type[Entry]) -> set[str]:
    """Return the fields a kind adds to the envelope."""
    return set(model.model_fields) - set(Entry.model_fields)
