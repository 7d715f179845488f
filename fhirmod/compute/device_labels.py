"""What is doubtful about a device's label: an identifier that does not check, a typed fact that contradicts it."""

from collections.abc import Iterator

from fhirmod import sources
from fhirmod.episode import DeviceFacts
from fhirmod.errors import Finding
from fhirmod.sources import Source
from fhirmod.udi import read_udi

from .why import Why

_FACTS = {"lot": "lot", "serial": "serial number", "expires": "expiry date"}
_SOURCES = {
    "gs1": sources.GS1,
    "hibcc": sources.HIBC,
    "iccbba": sources.UDI_FORMATS,
    "iccbba-blood": sources.UDI_FORMATS,
    None: sources.UDI_FORMATS,
}


def label_findings(entry: DeviceFacts) -> Iterator[Finding]:
    """Yield what is doubtful about the label of one entry; a device without an identifier is normal, never a finding.

    Units:  none; dates are compared as far as both are stated.
    Errors: none; nothing here refuses an entry.
    Source: as the agency of the identifier; sources.ARITHMETIC for a comparison of two recorded texts.
    """
    if entry.udi is None:
        return
    said = read_udi(entry.udi, entry.recorded_at.day.year)
    for doubt in said.doubts:
        sentence = f"The UDI of entry {entry.id} {doubt.says}."
        yield _finding(f"udi-{doubt.code}", entry.id, "udi", sentence, _SOURCES[said.agency])
    for name, words in _FACTS.items():
        typed, read = getattr(entry, name), getattr(said, name)
        if typed is not None and read is not None and not _agree(name, typed, read):
            sentence = (
                f"The {words} typed in entry {entry.id} is not the one its UDI states; what was typed stands, and one "
                "of the two is wrong."
            )
            yield _finding(f"udi-{name}-differs", entry.id, name, sentence, sources.ARITHMETIC)


def label_facts(own: DeviceFacts | None, prepared: DeviceFacts | None) -> dict[str, str]:
    """Return what the label of a balloon says: identifier, lot, serial number, expiry, each a text or why not.

    Units:  none; an expiry is as exact as the label states it.
    Shape:  what the placement states over what its preparation states, and in each what was typed over what the
            identifier says. An improvised device has no identifier: not-applicable.
    Errors: none.
    Source: sources.UDI_FORMATS.
    """
    facts: dict[str, str] = {}
    for entry in (own, prepared):
        if entry is None:
            continue
        said = read_udi(entry.udi, entry.recorded_at.day.year) if entry.udi else None
        for name in ("identifier", *_FACTS):
            value = getattr(entry, name, None) or (getattr(said, name) if said is not None else None)
            if value is not None:
                facts.setdefault(name, value)
    kind = (own and own.device) or (prepared and prepared.device) or ""
    missing = Why.NOT_APPLICABLE if kind.startswith("improvised") else Why.NOT_RECORDED
    return {name: facts.get(name, missing) for name in ("identifier", *_FACTS)}


def _agree(name: str, typed: str, read: str) -> bool:
    """Return whether two texts say the same; dates as far as both are stated."""
    if name != "expires":
        return typed.strip() == read
    shorter = min(len(read), len(typed[:10]))
    return typed[:shorter] == read[:shorter]


def _finding(code: str, entry: str, field: str, sentence: str, source: Source) -> Finding:
    place = f"entries.where(id='{entry}').{field}"
    return Finding("warning", f"record-{code}", "business-rule", place, sentence, "review", source)
