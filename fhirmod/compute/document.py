"""A computed state as plain JSON values: dataclasses become objects, times text with their offset."""

from collections.abc import Hashable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from decimal import Decimal
from enum import Enum
from functools import cache
from typing import Any

from fhirmod.episode import Moment
from fhirmod.sources import Source


def document(value: Any) -> Any:
    """Return plain JSON values: Decimal, text, true/false, lists and objects; never null.

    Shape: a time is text with offset; a source is its citation with its mark; a word that says why there is no value
           stands as text where the value would; what a finding does not have is left out.
    Errors: TypeError for a value that has no such form (an error of ours).
    """
    if isinstance(value, Enum):
        return str(value)
    if value is None or isinstance(value, str | bool | int | Decimal):
        return value
    if isinstance(value, datetime):
        return Moment.of(value).text
    if isinstance(value, Source):
        return value.marked
    if isinstance(value, Mapping):
        return {str(name): document(one) for name, one in value.items()}
    if isinstance(value, tuple | list):
        return [document(one) for one in value]
    if is_dataclass(value):
        parts = ((name, getattr(value, name)) for name in _names(value.__class__))
        return {name: document(part) for name, part in parts if part is not None}
    raise TypeError(f"A computed state holds no {type(value).__name__}.")


@cache
def _names(kind: Hashable) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))  # type: ignore[arg-type]
