"""What a person hands to a command: a file or standard input, holding entries or FHIR, whole or one on each line."""

import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhirmod.errors import InvalidError, NotFoundError, UnreadableError
from fhirmod.r4 import parse

from .checking import of_lines

_SQLITE = b"SQLite format 3\0"  # https://www.sqlite.org/fileformat.html#magic_header_string
_NEXT = "`fhirmod check` says what is wrong in a file."


@dataclass
class Told:
    """A case of bedside entries as given."""

    opening: dict[str, Any]
    entries: list[Any] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Given:
    """What was given: FHIR (a document, or resources line by line), or else cases of entries."""

    fhir: bytes | None = None
    lines: tuple[bytes, ...] = ()
    cases: tuple[Told, ...] = ()


def text_of(name: str) -> bytes:
    """Return the bytes of a file, or of standard input for ``-``.

    Errors: NotFoundError if there is no such file; InvalidError if it is a record, which is named otherwise.
    """
    if name == "-":
        return sys.stdin.buffer.read()
    try:
        text = Path(name).read_bytes()
    except OSError as wrong:
        why = wrong.strerror or "it cannot be read"
        record = "; a record is named with --db" if name.endswith(".db") else ""
        raise NotFoundError(
            f"The file {name} cannot be read ({why}); name a file, or - for standard input{record}."
        ) from None
    if text.startswith(_SQLITE):
        raise InvalidError(f"{name} is a record, not a file of entries or FHIR; `fhirmod show --db {name}` lists it.")
    return text


def given(text: bytes) -> Given:
    """Return what a text holds.

    Errors: UnreadableError if it is no JSON; InvalidError if it holds neither FHIR nor a case of entries.
    """
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines or lines == [b"[]"]:
        raise UnreadableError(f"Nothing was given; wanted entries or FHIR as JSON. {_NEXT}")
    if of_lines(lines[:2]):
        documents = [parse(line) for line in lines]
        if all(isinstance(one, dict) and "resourceType" in one for one in documents):
            return Given(lines=tuple(lines))
        return Given(cases=tuple(_cases(documents)))
    match parse(text):
        case {"resourceType": _}:
            return Given(fhir=text)
        case {"opening": dict(opening), "entries": [*entries]}:
            return Given(cases=(Told(opening, entries),))
        case [*documents]:
            return Given(cases=tuple(_cases(documents)))
        case {"kind": "opening"} as opening:
            return Given(cases=(Told(opening),))
    raise InvalidError(
        'The document is neither FHIR (with resourceType) nor a case: {"opening": {...}, "entries": [...]}, or a list '
        f"of entries that begins with an opening. {_NEXT}"
    )


def _cases(documents: Iterable[Any]) -> Iterator[Told]:
    """Return the cases of a list of entries: each opening that corrects none begins one."""
    told: Told | None = None
    for document in documents:
        if isinstance(document, dict) and document.get("kind") == "opening" and "corrects" not in document:
            if told is not None:
                yield told
            told = Told(document)
        elif told is None:
            raise InvalidError(
                "The first entry must be an opening, which says where and when the record begins, such as "
                '{"kind": "opening", "at": "2026-03-01T02:00:00Z", "facility": {"id": "clinic-7"}}.'
            )
        else:
            told.entries.append(document)
    if told is not None:
        yield told
