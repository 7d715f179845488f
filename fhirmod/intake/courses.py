"""Whether an anchor that comes in is one that is here already, under another id: the same course of the same woman.

A create makes a new resource each time it is sent, so a retry brings the whole case again; its business
identifiers say that it is the same. Source: http://hl7.org/fhir/R4/resource.html#identifiers.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any

from fhirmod.episode import Moment
from fhirmod.errors import Finding
from fhirmod.r4 import parse
from fhirmod.store import Access, EpisodeRow, Reader

from .identity import episodes_about, identifiers
from .placing import Placed

_LIKELY = timedelta(days=42)
"""The puerperium: a second tamponade of the same woman within it is likely the same case. Common practice, no
published source."""


def same_course(reader: Reader, access: Access, anchor: Placed, placed: Sequence[Placed]) -> str | None:
    """Return the episode whose anchor has a business identifier of this one and is of the same woman, or None."""
    here = {one.reference: one.resource or {} for one in placed}
    resource = anchor.resource or {}
    for known in _known(reader, access, resource):
        if known == anchor.reference:
            continue
        type_, _, id_ = known.partition("/")
        version = reader.get(access, type_, id_)
        other = parse(version.body) if version is not None and version.body is not None else {}
        episode = _episode_of(reader, access, type_, id_)
        if episode is not None and _same_subject(reader, access, resource, other, here):
            return episode
    return None


def _known(reader: Reader, access: Access, resource: Mapping[str, Any]) -> Iterator[str]:
    for system, value in identifiers(resource):
        for id_ in reader.identified(access, "Procedure", system, value):
            yield f"Procedure/{id_}"


def _episode_of(reader: Reader, access: Access, type_: str, id_: str) -> str | None:
    """Return the episode that a Procedure is the anchor of."""
    for episode, _ in reader.episode_of(access, type_, id_):
        row = reader.episode(access, episode)
        if row is not None and (row.anchor_type, row.anchor_id) == (type_, id_):
            return episode
    return None


def _same_subject(
    reader: Reader,
    access: Access,
    one: Mapping[str, Any],
    other: Mapping[str, Any],
    here: Mapping[str, Mapping[str, Any]],
) -> bool:
    mine, theirs = (str(each.get("subject", {}).get("reference", "")) for each in (one, other))
    if mine == theirs:
        return mine != ""
    return bool(set(_who(reader, access, mine, here)) & set(_who(reader, access, theirs, here)))


def _who(
    reader: Reader, access: Access, reference: str, here: Mapping[str, Mapping[str, Any]]
) -> Iterator[tuple[str, str]]:
    type_, _, id_ = reference.partition("/")
    if reference in here:
        yield from identifiers(here[reference])
    elif type_ == "Patient" and id_:
        version = reader.get(access, type_, id_)
        yield from identifiers(parse(version.body) if version is not None and version.body is not None else {})


def likely_the_same(reader: Reader, access: Access, row: EpisodeRow, subject: str) -> Iterator[Finding]:
    """Return a finding for each episode of the same woman that a new one is likely the same case as."""
    opened, place = Moment(row.opened_at).instant, f"{row.anchor_type}/{row.anchor_id}"
    for other in sorted(episodes_about(reader, access, subject)) if subject.startswith("Patient/") else ():
        its = reader.episode(access, other) if other != row.id else None
        at = Moment(its.opened_at).instant if its is not None else None
        if at is not None and opened is not None and abs(at - opened) <= _LIKELY:
            sentence = (
                f"The episode {row.id} is about the same woman as the episode {other} and may be the same tamponade; "
                "nothing was joined: a person decides."
            )
            yield Finding("information", "likely-the-same", "informational", place, sentence)
