"""The episode read back from what was asserted: the same whether it was cached, just written, or written long ago."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from itertools import groupby
from typing import Any

from fhirmod.compute import NOT_STATED
from fhirmod.episode import Episode, Opening, Protocol, Received
from fhirmod.mapping import Context, Lens, SiteCodes, Stored, derived_entry_id
from fhirmod.r4 import parse
from fhirmod.store import Access, EpisodeRow, Reader, Version

from .code_map import in_force
from .identity import Woman, same_woman
from .request import received_at
from .snapshot import Snapshot, computed


def load(
    reader: Reader, access: Access, row: EpisodeRow, protocol: Protocol, codes: SiteCodes | None = None
) -> tuple[Snapshot, Lens]:
    """Return the episode read back from everything stored, and the lens that read it.

    Shape: with the code map in force, unless another is given.
    """
    versions = reader.members(access, row.id, owner="asserted")
    stored = [as_stored(one) for one in versions]
    context = context_of(reader, access, row, stored)
    lens = Lens(context.subjects, in_force(reader, access) if codes is None else codes, context.anchor)
    fold(lens, versions, stored)
    context = replace(context, there=lens.whereabouts())
    received = tuple(lens.received)
    if not any(isinstance(one.entry, Opening) for one in received):
        received = (inferred_opening(row), *received)
    unread, once = tuple(lens.unread.values()), tuple(lens.once_unread)
    return computed(Snapshot(row, Episode(row.id, received), context, {}, {}, {}, protocol, unread, once)), lens


def fold(lens: Lens, versions: Iterable[Version], stored: Iterable[Stored]) -> None:
    """Return nothing; the lens has read these versions, those of one accepted write together."""
    for _, batch in groupby(zip(versions, stored, strict=True), key=lambda pair: pair[0].episode_version):
        lens.fold([one for _, one in batch])


def as_stored(version: Version) -> Stored:
    """Return a stored version with its resource parsed."""
    resource = None if version.body is None else parse(version.body)
    return Stored(version.type, version.id, version.version, version.updated, resource)


def context_of(reader: Reader, access: Access, row: EpisodeRow, stored: Iterable[Stored]) -> Context:
    """Return what images of this episode refer to: our opening's Encounter, else what the anchor says.

    Shape: where the woman's Patient was merged into another, it is the surviving one.
    """
    anchor = f"{row.anchor_type}/{row.anchor_id}"
    found: dict[str, Any] = {}
    encounter = None
    for one in stored:
        if one.resource is None:
            continue
        if one.id == f"{row.id}.encounter":
            encounter, found = one.reference, dict(one.resource)
            break
        if one.reference == anchor:
            found = dict(one.resource)
            encounter = found.get("encounter", {}).get("reference")
    subject = found.get("subject", {}).get("reference", "")
    woman = same_woman(reader, access, subject) if subject else Woman("", frozenset())
    return Context(woman.survivor, anchor, encounter, row.drill, woman.references, _organization(found))


def _organization(encounter: Mapping[str, Any]) -> tuple[str, str] | None:
    """Return the identifier and the reference of the facility an opening's Encounter names, if it has both."""
    provider = encounter.get("serviceProvider", {})
    identifier, reference = provider.get("identifier", {}).get("value"), provider.get("reference")
    return (identifier, reference) if identifier and reference else None


def inferred_opening(row: EpisodeRow) -> Received:
    """Return the opening that a partner's case implies: its facility and time as far as the anchor tells."""
    opening = Opening.model_validate(
        {
            "id": derived_entry_id(f"{row.anchor_type}/{row.anchor_id}#opening"),
            "at": row.opened_at,
            "recorded_at": row.opened_at,
            "facility": {"id": row.facility or NOT_STATED},
            "drill": row.drill,
        }
    )
    return Received(opening, received_at(row.opened_at), inferred=True)
