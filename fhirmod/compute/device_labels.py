"""What is doubtful about a device's label: an identifier that does not check, a typed fact that contradicts it."""

from collections.abc import Iterator

from fhirmod import sources
from fhirmod.episode import DeviceFacts
from fhirmod.errors import Finding
from fhirmod.sources import Source
from fhirmod.udi import read_udi

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
                "of the two should be corrected."
            )
            yield _finding(f"udi-{name}-differs", entry.id, name, sentence, sources.ARITHMETIC)


def _agree(name: str, typed: str, read: str) -> bool:
    """Return whether two texts say the same; dates as far as both are stated."""
    if name != "expires":
        return typed.strip() == read
    shorter = min(len(read), len(typed[:10]))
    return typed[:shorter] == read[:shorter]


def _finding(code: str, entry: str, field: str, sentence: str, source: Source) -> Finding:
    place = f"entries.where(id='{entry}').{field}"
    return Finding("warning", f"record-{code}", "business-rule", place, sentence, "review", source)
