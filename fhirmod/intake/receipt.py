"""What a write answers: one result for each entry, and what of each resource was read."""

from dataclasses import dataclass
from typing import Any, Literal

from fhirmod.episode import Moment
from fhirmod.errors import Finding
from fhirmod.mapping import UnreadResource

Status = Literal["accepted", "repeat", "refused", "conflict", "waiting", "ask"]


@dataclass(frozen=True, slots=True)
class EntryResult:
    """What became of one entry of a queue.

    Shape: accepted (now part of the record) | repeat (was already) | refused (held for repair, with findings) |
           conflict (its id was used for something else) | waiting (corrects or retracts what has not arrived) |
           ask (looks like an act already recorded by someone else; send again with ``distinct``).
    """

    id: str | None
    status: Status
    findings: tuple[Finding, ...] = ()
    resources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ReadResource:
    """Which entry a resource was read as."""

    reference: str
    entry: str
    kind: str


@dataclass(frozen=True, slots=True)
class Receipt:
    """The answer to a write: the episode's version after it, and what happened to each part of it.

    Shape: `entries` answers the entries sent, in their order; `released` those that had been waiting for one of
           them; `read`, `unread`, `ignored` speak of resources; `findings` are those open at the bedside
           after it (tiers now and soon); `dry_run` says that nothing was kept.
    """

    episode: str | None
    version: int
    entries: tuple[EntryResult, ...] = ()
    released: tuple[EntryResult, ...] = ()
    read: tuple[ReadResource, ...] = ()
    unread: tuple[UnreadResource, ...] = ()
    ignored: tuple[UnreadResource, ...] = ()
    findings: tuple[Finding, ...] = ()
    dry_run: bool = False

    def document(self) -> dict[str, Any]:
        """Return the receipt as plain JSON values."""
        return {
            "episode": self.episode,
            "version": self.version,
            "dry_run": self.dry_run,
            "entries": [result_document(one) for one in self.entries],
            "released": [result_document(one) for one in self.released],
            "read": [{"resource": one.reference, "entry": one.entry, "kind": one.kind} for one in self.read],
            "unread": [{"resource": one.reference, "reason": one.reason} for one in self.unread],
            "ignored": [{"resource": one.reference, "reason": one.reason} for one in self.ignored],
            "findings": [finding_document(finding) for finding in self.findings],
        }


def result_document(result: EntryResult) -> dict[str, Any]:
    """Return what became of one entry as plain JSON values."""
    return {
        "id": result.id,
        "status": result.status,
        "resources": list(result.resources),
        "findings": [finding_document(finding) for finding in result.findings],
    }


def finding_document(finding: Finding) -> dict[str, Any]:
    """Return a finding as plain JSON values; what it does not have is left out."""
    document: dict[str, Any] = {
        "severity": finding.severity,
        "code": finding.code,
        "place": finding.place,
        "sentence": finding.sentence,
    }
    if finding.tier is not None:
        document["tier"] = finding.tier
    if finding.source is not None:
        document["source"] = finding.source.marked
    if finding.key is not None:
        document["key"] = finding.key
    for name, moment in (("since", finding.since), ("acknowledged_until", finding.acknowledged_until)):
        if moment is not None:
            document[name] = Moment.of(moment).text
    if finding.parameters:
        document["parameters"] = list(finding.parameters)
    return document
