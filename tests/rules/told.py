"""The cases of the rules: one file each, a story's entries, the moment asked about, and what is found then."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from fhirmod.episode import Episode, Protocol, Received, read_entry
from fhirmod.errors import Finding, InvalidError
from fhirmod.r4 import dump, parse
from fhirmod.stories import Story
from fhirmod.validation import findings
from tests.stories import START

FOLDER = Path(__file__).parent
_DELAY = timedelta(seconds=2)


@dataclass(frozen=True)
class Told:
    """One case: `shown` are the findings of the bedside's tiers, and of the rule it is about, as (rule, place)."""

    path: Path
    document: dict[str, Any]

    @property
    def rule(self) -> str:
        return self.path.parent.name

    @property
    def fails(self) -> bool:
        return self.path.name.startswith("fail-")

    @property
    def as_of(self) -> datetime:
        return datetime.fromisoformat(self.document["as_of"])

    @property
    def protocol(self) -> Protocol:
        text = self.document.get("protocol")
        return Protocol.default() if text is None else Protocol.read(text.encode())

    @property
    def episode(self) -> Episode:
        """Return the episode; an entry counts as received when recorded, unless `received` says another time."""
        received = self.document.get("received", {})
        items = []
        for value in self.document["entries"]:
            entry = read_entry({"recorded_at": value["at"], **value})
            at = received.get(entry.id)
            recorded = entry.recorded_at.instant
            assert recorded is not None
            items.append(Received(entry, recorded + _DELAY if at is None else datetime.fromisoformat(at)))
        return Episode("case").adding(items)

    def found(self) -> tuple[Finding, ...]:
        return findings(self.episode, as_of=self.as_of, protocol=self.protocol)

    def shown(self) -> list[list[str]]:
        return sorted([one.code, one.place] for one in self.found() if one.tier != "review" or one.code == self.rule)

    @property
    def expected(self) -> list[list[str]]:
        return sorted([one["rule"], one["place"]] for one in self.document["expected"])


CASES = [Told(path, parse(path.read_bytes())) for path in sorted(FOLDER.glob("*/*.json"))]


def received(told: Story) -> list[Received]:
    """Return a generated story as received: each entry when it was recorded, what cannot be read left out."""
    items = []
    for value in (told.opening, *told.entries):
        try:
            entry = read_entry(parse(dump(value)))
        except InvalidError:
            continue
        items.append(Received(entry, entry.recorded_at.instant or START))
    return items
