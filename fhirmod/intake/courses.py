"""Which Procedures of a request are the anchor of a course, and of which episode: a new one, or one that is here.

A create makes a new resource each time it is sent, so a retry brings the whole case again; its business
identifiers say that it is the same. Source: http://hl7.org/fhir/R4/resource.html#identifiers.
"""

from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any

from fhirmod.episode import Moment
from fhirmod.errors import Finding
from fhirmod.mapping import EPISODE_ID, TABLES, derived_entry_id
from fhirmod.r4 import parse
from fhirmod.store import Access, EpisodeRow, Reader
from terminology import find, words

from .code_map import in_force
from .identity import episodes_about, identifiers
from .owning import episode_named
from .placing import Placed

_LIKELY = timedelta(days=42)
"""The puerperium: a second tamponade of the same woman within it is likely the same case. Common practice, no
published source."""


def anchors_in(reader: Reader, access: Access, placed: Sequence[Placed], ignored: Container[str]) -> dict[str, str]:
    """Return the episode of each anchor of a request, by the anchor's reference here.

    Shape: `ignored` are the references of what an import brings and is assembled here.
    """
    found = {}
    codes = in_force(reader, access)
    here = {one.reference: one.resource or {} for one in placed}

    def device(reference: str) -> Mapping[str, Any]:
        type_, _, id_ = reference.partition("/")
        if reference in here or type_ != "Device" or not id_:
            return dict(codes.applied(here.get(reference, {})))
        version = reader.get(access, type_, id_)
        return dict(codes.applied(parse(version.body) if version is not None and version.body is not None else {}))

    for one in placed:
        if one.found or not _is_anchor(codes.applied(one.resource or {}), device):
            continue
        named = episode_named(one.resource or {})
        if named is not None and one.reference in ignored:
            found[f"Procedure/{named}.anchor"] = named
        elif one.reference not in ignored:
            found[one.reference] = _same_course(reader, access, one, placed) or derived_entry_id(one.reference)
    return found


def _is_anchor(resource: Mapping[str, Any], device: Callable[[str], Mapping[str, Any]]) -> bool:
    """Return whether a resource is the Procedure of a whole tamponade: by its code or ours, or by its device.

    A placement that is part of nothing stands for the whole course. A code that says something broader is none
    alone; it is one with a tamponade balloon as the device, unless the code says another act of the record.

    Shape: `device` leads from a reference to the resource, or to nothing.
    """
    if resource.get("resourceType") != "Procedure":
        return False
    codings = resource.get("code", {}).get("coding", ())
    if find(codings, ("anchor",)) or any(one.get("system") == EPISODE_ID for one in resource.get("identifier", ())):
        return True
    if any(link.get("reference", "").startswith("Procedure/") for link in resource.get("partOf", ())):
        return False
    if find(codings, ("placement",)) is not None:
        return True
    return find(codings, _ACTS) is None and any(find(one, _BALLOONS) for one in _devices(resource, device))


_BALLOONS = ("device.balloon", *words("balloon-preparation.device"))
_ACTS = tuple(
    code.key for table in TABLES.values() for part in table.parts if part.type == "Procedure" for code in part.codes
)


def _devices(resource: Mapping[str, Any], device: Callable[[str], Mapping[str, Any]]) -> Iterator[Sequence[Any]]:
    """Return the codings of the type of each device a Procedure used."""
    yield from (one.get("coding", ()) for one in resource.get("usedCode", ()))
    links = [one.get("manipulated", {}) for one in resource.get("focalDevice", ())]
    for link in (*links, *resource.get("usedReference", ())):
        reference = link.get("reference", "")
        contained = (one for one in resource.get("contained", ()) if f"#{one.get('id')}" == reference)
        found = next(contained, None) or device(reference)
        if found.get("resourceType") == "Device":
            yield found.get("type", {}).get("coding", ())


def _same_course(reader: Reader, access: Access, anchor: Placed, placed: Sequence[Placed]) -> str | None:
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
