"""Checking what somebody has in hand: a FHIR resource, a Bundle, bedside entries; nothing is stored."""

from collections.abc import Iterable, Mapping
from typing import Any

from fhirmod.episode import read_entry
from fhirmod.errors import FhirmodError, Finding, InvalidError
from fhirmod.mapping import known_profiles
from fhirmod.r4 import check, parse, said_at_once

from .judged import judged_bundle, judged_entries

_NO_ID = "00000000-0000-4000-8000-000000000000"


def check_text(text: bytes, *, many: bool = False) -> list[Finding]:
    """Return everything that is to be said of a document; what cannot be read is said so, not raised.

    Shape: a FHIR resource or Bundle; one entry, a list of entries, or ``{"opening": ..., "entries": [...]}``. An
           entry may leave out what the service fills in. Of a whole case (a list of entries, a Bundle that carries
           one) the last layer says what the rules find, as of its last entry; those warn and refuse nothing.
           `many` says that the document is one of many, so that making ready for what is plain pays; the findings are
           the same.
    """
    try:
        return check_document(parse(text), many=many)
    except FhirmodError as wrong:
        return list(wrong.findings)


def check_document(document: Any, *, many: bool = False) -> list[Finding]:
    """Return the findings of a parsed document, as `check_text` does."""
    match document:
        case {"resourceType": "Bundle"}:
            found = check(document, known=known_profiles())
            return found if any(one.refuses for one in found) else [*found, *judged_bundle(document)]
        case {"resourceType": _}:
            plain = said_at_once(document, known_profiles()) if many else None
            return check(document, known=known_profiles()) if plain is None else plain
        case {"entries": [*entries], **rest}:
            opening = rest.get("opening")
            told = [] if opening is None else list(_entry({"kind": "opening"} | _plain(opening), "opening"))
            first = [] if opening is None else [{"id": _NO_ID, "kind": "opening"} | _plain(opening)]
            return [*told, *_entries(entries, "entries"), *judged_entries([*first, *entries])]
        case [*entries]:
            return [*_entries(entries, ""), *judged_entries(entries)]
        case {"kind": _}:
            return list(_entry(document, ""))
        case _:
            sentence = "The document is neither a FHIR resource (with resourceType) nor an entry (with kind)."
            return [Finding("error", "unknown-document", "structure", "", sentence)]


def _entries(entries: Iterable[Any], place: str) -> Iterable[Finding]:
    for number, entry in enumerate(entries):
        yield from _entry(entry, f"{place}[{number}]")


def _entry(entry: Any, place: str) -> Iterable[Finding]:
    if isinstance(entry, Mapping) and "resourceType" in entry:
        sentence = "A resource stands in a list of entries; wanted resources in a Bundle, or one on each line (NDJSON)."
        yield Finding("error", "resource-among-entries", "structure", place, sentence)
        return
    filled = {"recorded_at": "2000-01-01T00:00:00Z"} | _plain(entry)
    if filled.get("kind") == "opening":
        filled = {"id": _NO_ID} | filled
    try:
        read_entry(filled if isinstance(entry, Mapping) else entry)
    except InvalidError as wrong:
        for one in wrong.findings:
            inner = "" if one.place == "entry" else one.place
            at = ".".join(part for part in (place, inner) if part)
            yield Finding(one.severity, one.code, one.issue, at, one.sentence)


def _plain(value: Any) -> dict[str, Any]:
    return dict(value) if isinstance(value, Mapping) else {}
