"""What the entries can say: every kind, question and word, read from the entry classes themselves."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from fhirmod.episode import (
    KINDS,
    Absent,
    Dose,
    Entry,
    Facility,
    Moment,
    Part,
    PartialDate,
    Person,
    ProtocolStamp,
    Rate,
    Woman,
)
from fhirmod.episode.quantity import quantity
from fhirmod.episode.text import EntryId

_QUANTITY = type(quantity("1"))
_ID_PATTERN = get_args(EntryId)[1].pattern
_DATE_PATTERN = get_args(PartialDate)[1].pattern
# People, places, devices' dates and the protocol are resources or elements of their own in FHIR, not concepts.
_ELSEWHERE = (Absent, Facility, Moment, Person, ProtocolStamp, Woman)


@dataclass
class Question:
    """One field: its words, its unit, or neither (yes/no flags and free text)."""

    words: list[str] = field(default_factory=list)
    unit: str | None = None


def questions(model: type[Part], prefix: str, without: frozenset[str] = frozenset()) -> Iterator[tuple[str, Question]]:
    """Yield (key, question) of each field that is not a reference to another entry, a person or a place."""
    for name, info in model.model_fields.items():
        if name in without:
            continue
        key = f"{prefix}.{name}"
        leaves = list(_leaves(Annotated[info.annotation, *info.metadata] if info.metadata else info.annotation))
        groups = [leaf for kind, leaf in leaves if kind == "group"]
        if groups:
            for group in groups:
                yield from questions(group, key)
        elif leaves:
            units = [leaf for kind, leaf in leaves if kind == "unit"]
            words = [leaf for kind, leaf in leaves if kind == "word"]
            yield key, Question(words, units[0] if units else None)


def _leaves(annotation: Any) -> Iterator[tuple[str, Any]]:
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *marks = get_args(annotation)
        units = [mark.unit for mark in marks if isinstance(mark, _QUANTITY)]
        if units:
            yield "unit", units[0]
        elif any(getattr(mark, "pattern", None) in (_ID_PATTERN, _DATE_PATTERN) for mark in marks):
            return
        else:
            yield from _leaves(inner)
    elif origin in (Union, UnionType, tuple):
        for arm in get_args(annotation):
            yield from _leaves(arm)
    elif origin is Literal:
        for word in get_args(annotation):
            yield "word", word
    elif annotation in (Dose, Rate):
        yield "quantity", None
    elif annotation in (bool, str):
        yield "plain", None
    elif isinstance(annotation, type) and issubclass(annotation, Part) and annotation not in _ELSEWHERE:
        yield "group", annotation


def everything() -> dict[str, Question | None]:
    """Return what must have a row: each kind (None) and each question, the envelope's under `entry`."""
    envelope = frozenset(Entry.model_fields)
    found: dict[str, Question | None] = {}
    found |= dict(questions(Entry, "entry", frozenset({"kind", "id"})))
    for kind, model in KINDS.items():
        found[kind] = None
        found |= dict(questions(model, kind, envelope))
    return found
