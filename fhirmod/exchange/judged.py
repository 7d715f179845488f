"""The sixth layer of a check: what the clinical and completeness rules find in a whole case, given as entries or FHIR.

A single entry or resource is no case: nothing is asked of it but that it is well formed.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from fhirmod.compute import closure
from fhirmod.episode import Episode, Moment, Protocol, Received, read_entry
from fhirmod.errors import Finding, InvalidError
from fhirmod.mapping import Lens, Stored
from fhirmod.validation import findings, open_now

_EARLY = datetime.fromisoformat("1900-01-01T00:00:00+00:00")


def judged_entries(entries: Iterable[Any]) -> list[Finding]:
    """Return what the rules find in a case of entries, as of its last one; unusable ones are left out.

    Shape: an entry that does not say when it was recorded was recorded, and received, when it happened.
    """
    items = []
    for value in entries:
        try:
            entry = read_entry(_recorded(value))
        except InvalidError:
            continue
        items.append(Received(entry, entry.recorded_at.instant or _EARLY))
    return _judged(items)


def judged_bundle(bundle: Mapping[str, Any]) -> list[Finding]:
    """Return what the rules find in the case that a Bundle carries; a Bundle without a balloon is no case."""
    stored = []
    for number, one in enumerate(bundle.get("entry", ())):
        resource = one.get("resource") if isinstance(one, Mapping) else None
        if isinstance(resource, Mapping) and isinstance(resource.get("resourceType"), str):
            meta = resource.get("meta")
            updated = meta.get("lastUpdated") if isinstance(meta, Mapping) else None
            received = updated if isinstance(updated, str) else "2000-01-01T00:00:00Z"
            stored.append(Stored(resource["resourceType"], str(resource.get("id", number)), 1, received, resource))
    lens = Lens()
    lens.fold(stored)
    if not any(one.entry.kind == "placement" for one in lens.received):
        return []
    return _judged([Received(one.entry, one.entry.recorded_at.instant or one.at) for one in lens.received])


def _judged(items: list[Received]) -> list[Finding]:
    if not items:
        return []
    episode = Episode("checked").adding(items)
    as_of = max(one.at for one in items)
    closed = closure(episode.standing(as_of=as_of)).word == "closed"
    return list(open_now(findings(episode, as_of=as_of, protocol=Protocol.default()), closed=closed))


def _recorded(value: Any) -> Any:
    if not isinstance(value, Mapping):
        return value
    at = value.get("at")
    try:
        instant = Moment(at).instant if isinstance(at, str) else None
    except ValueError:
        instant = None
    return {"recorded_at": at if instant is not None else "2000-01-01T00:00:00Z", **value}
