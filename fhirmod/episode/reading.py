"""From received JSON values to an entry, or to findings that name the field, what was got, what would be right."""

import difflib
import re
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from fhirmod.errors import Finding, InvalidError

from .entry import Entry
from .kinds import KINDS
from .text import ENTRY_ID_PATTERN

_PLAIN = re.compile(r"[a-z0-9-]{1,30}|[0-9TZ:+.-]{1,35}")  # words of ours and times, never a name
_LOOKS = {ENTRY_ID_PATTERN: "a UUID in lower case, such as 0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80001"}
_TAGS = frozenset({"value", "absent"})
_KINDS_OF_FAULT = {  # pydantic's type -> our stable code, and R4's issue type
    "missing": ("field-missing", "required"),
    "extra_forbidden": ("field-unknown", "structure"),
    "literal_error": ("word-unknown", "code-invalid"),
    "quantity": ("number-unusable", "value"),
    "moment": ("time-unusable", "value"),
    "value_error": ("entry-contradictory", "invariant"),
}


def read_entry(value: Any) -> Entry:
    """Return the entry that received JSON values describe; exact numbers come in as int or Decimal.

    Errors: InvalidError with one finding for each field that is wrong.
    """
    if not isinstance(value, Mapping):
        raise InvalidError(f"An entry must be a JSON object; got {_what(value)}.", place="entry")
    kind = value.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        near = difflib.get_close_matches(str(kind), KINDS, 1)
        hint = f'did you mean "{near[0]}"?' if near else f"the kinds are {', '.join(sorted(KINDS))}."
        raise InvalidError(f"The field kind must name a kind of entry; got {_what(kind)}; {hint}", place="kind")
    try:
        return KINDS[kind].model_validate(value)
    except ValidationError as wrong:
        findings = tuple(_finding(kind, error) for error in wrong.errors(include_url=False))
        raise InvalidError(f"The {kind} entry is not usable.", findings=findings) from None


def _finding(kind: str, error: ErrorDetails) -> Finding:
    place = _place(error["loc"])
    code = error["type"]
    got = _what(error["input"])
    match code:
        case "missing":
            sentence = f"The {kind} entry needs the field {place}; it was not given."
        case "extra_forbidden":
            fields = KINDS[kind].model_fields
            near = difflib.get_close_matches(place, fields, 1)
            hint = f'did you mean "{near[0]}"?' if near else f"it has {', '.join(_own_first(fields))}."
            sentence = f"The {kind} entry has no field {place}; {hint}"
        case "literal_error":
            sentence = f"The field {place} must be {error['ctx']['expected']}; got {got}."
        case "string_pattern_mismatch" if error["ctx"]["pattern"] in _LOOKS:
            sentence = f"The field {place} is not usable: it must be {_LOOKS[error['ctx']['pattern']]}; got {got}."
        case "value_error":
            sentence = f"The {kind} entry is contradictory: {error['ctx']['error']}."
        case _:
            sentence = f"The field {place} is not usable: {error['msg']}; got {got}."
    name, issue = _KINDS_OF_FAULT.get(code, ("field-unusable", "value"))
    return Finding("error", name, issue, place or "entry", sentence)


def _own_first(fields: Iterable[str]) -> list[str]:
    """Return the fields of the kind, then those that every entry has."""
    return sorted(fields, key=Entry.model_fields.__contains__)


def _place(loc: tuple[int | str, ...]) -> str:
    text = ""
    for step in loc:
        if isinstance(step, int):
            text += f"[{step}]"
        elif step not in _TAGS:
            text += f".{step}" if text else step
    return text[:80]


def _what(value: Any) -> str:
    """Return what was got, without repeating free text (it may speak of a person)."""
    match value:
        case None:
            return "null"
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{value}"' if _PLAIN.fullmatch(value) else f"text of {len(value)} characters"
        case list() | tuple():
            return f"a list of {len(value)}"
        case Mapping():
            return "an object"
        case _:
            return str(value)[:40]
