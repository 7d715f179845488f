"""Which episode a resource belongs to, and on what basis.

A resource is a member if it references the anchor or a part of it, is referenced by a member, or came in one
Bundle with exactly one anchor of the same subject. A shared patient, practitioner, place or encounter makes
no member: they say where and who, not what. What came before its anchor joins when the anchor comes: references to
what is in no episode yet are indexed, so that any order of requests gives the same record.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fhirmod.mapping import CONTEXT_TYPES
from fhirmod.r4 import parse, references
from fhirmod.store import Access, Reader

from .identity import LINKS, merged_with
from .placing import Placed

_NO_LINK = CONTEXT_TYPES | {"Encounter"}
Bases = dict[str, str]


@dataclass
class Membership:
    """Which episodes each resource belongs to and why, by reference; `late` were here before and join now."""

    found: dict[str, Bases]
    late: set[str] = field(default_factory=set)
    links: dict[str, set[str]] = field(default_factory=dict)
    known: dict[str, Bases] = field(default_factory=dict)

    def of(self, reference: str) -> Bases:
        return self.found.get(reference, {})

    def joining(self, episode: str) -> list[tuple[str, str, str | None]]:
        """Return (type, id, basis) of what was here before and belongs to this episode from now on."""
        return [
            (*_parts(reference), self.found[reference][episode])
            for reference in sorted(self.late)
            if episode in self.found[reference]
        ]

    def open_links(self, reference: str) -> list[tuple[str, str, str]]:
        """Return the rows of the index for the references of a resource to what is in no episode yet."""
        return [
            (LINKS, *_parts(target))
            for target in sorted(self.links.get(reference, ()))
            if _leads(target) and not self.found.get(target) and not self.known.get(target)
        ]


def members(placed: Sequence[Placed], anchors: Mapping[str, str], reader: Reader, access: Access) -> Membership:
    """Return, for each resource of a request and each that waited for one, the episodes it belongs to and why.

    Shape: `anchors` leads from the reference of each anchor of this request to its episode.
    """
    here = {one.reference: one for one in placed}
    made = Membership({reference: {} for reference in here})
    made.links = {reference: _links(one.resource or {}) for reference, one in here.items()}
    for reference, episode in anchors.items():
        made.found.setdefault(reference, {})[episode] = "anchor"
    stored = [reference for reference, one in here.items() if one.current is not None]
    for reference, bases in _episodes(reader, access, stored).items():
        made.found[reference] |= bases
    _explore(made, here, reader, access)
    _spread(made.found, made.links, anchors)
    if len(set(anchors.values())) == 1:
        _same_bundle(made.found, here, anchors)
    made.late = {reference for reference in made.late if made.found[reference]}
    return made


def _explore(made: Membership, here: Mapping[str, Placed], reader: Reader, access: Access) -> None:
    """Follow references out of the request, both ways: to members, and on through what is in no episode yet."""
    fresh = [reference for reference in here if not _is_context(reference)]
    while fresh:
        targets = {one: {to for to in made.links[one] if to not in here and _leads(to)} for one in fresh}
        linking = reader.linking(access, LINKS, map(_parts, fresh))
        sources = {one: {"/".join(who) for who in linking.get(_parts(one), ())} - here.keys() for one in fresh}
        others = {to for ends in (*targets.values(), *sources.values()) for to in ends if _leads(to)}
        new = sorted(others - made.known.keys() - made.late)
        episodes = _episodes(reader, access, new)
        made.known |= {other: episodes.get(other, {}) for other in new}
        waiting = _waiting(made, [other for other in new if not made.known[other]], reader, access)
        for one in fresh:
            for ends, basis in ((targets[one], "references"), (sources[one], "referenced")):
                for other in ends:
                    for episode in made.known.get(other, ()):
                        made.found[one].setdefault(episode, basis)
        fresh = waiting


def _waiting(made: Membership, references: list[str], reader: Reader, access: Access) -> list[str]:
    """Return those that are here and in no episode: they may join with what is being looked at."""
    found = []
    versions = reader.get_many(access, map(_parts, references)) if references else {}
    for (type_, id_), version in versions.items():
        if version.body is not None and version.owner == "asserted":
            reference = f"{type_}/{id_}"
            found.append(reference)
            made.late.add(reference)
            made.found[reference] = {}
            made.links[reference] = _links(parse(version.body))
    return found


def _episodes(reader: Reader, access: Access, references: Iterable[str]) -> dict[str, Bases]:
    keys = [_parts(reference) for reference in references]
    found = reader.episodes_of(access, keys) if keys else {}
    return {"/".join(key): {episode: basis or "" for episode, basis in bases} for key, bases in found.items()}


def _leads(reference: str) -> bool:
    return reference.partition("/")[0] not in _NO_LINK


def _spread(found: dict[str, Bases], links: Mapping[str, set[str]], anchors: Mapping[str, str]) -> None:
    """Let membership follow references, both ways, until nothing new is found."""
    grew = True
    while grew:
        grew = False
        for source, targets in links.items():
            for target in targets:
                if target in anchors and target not in links:
                    grew |= _join(found, source, {anchors[target]: ""}, "references")
                elif target in found:
                    if _leads(target):
                        grew |= _join(found, source, found[target], "references")
                    grew |= _join(found, target, found[source], "referenced")


def _join(found: dict[str, Bases], reference: str, episodes: Mapping[str, str], basis: str) -> bool:
    if _is_context(reference):
        return False
    new = {episode: basis for episode in episodes if episode not in found[reference]}
    found[reference] |= new
    return bool(new)


def _same_bundle(found: dict[str, Bases], here: Mapping[str, Placed], anchors: Mapping[str, str]) -> None:
    [episode] = set(anchors.values())
    subjects = {_subject(here[anchor]) for anchor in anchors if anchor in here} - {None}
    for reference, one in here.items():
        if not found[reference] and not _is_context(reference) and _subject(one) in subjects:
            found[reference][episode] = "bundle"


def _is_context(reference: str) -> bool:
    """Return whether a resource only says who or where; a retraction's Provenance is an entry's image."""
    type_, _, id_ = reference.partition("/")
    return type_ in CONTEXT_TYPES and not (type_ == "Provenance" and id_.endswith(".retraction"))


def _subject(one: Placed) -> str | None:
    resource = one.resource or {}
    for name in ("subject", "patient"):
        if isinstance(resource.get(name), Mapping):
            return str(resource[name].get("reference"))
    return None


def patient_links(resource: Mapping[str, Any]) -> Iterable[tuple[str, str, str]]:
    """Return the rows of the index for the Patients that a Patient was merged with."""
    return ((LINKS, *_parts(reference)) for reference, _ in merged_with(resource))


def _links(resource: Mapping[str, Any]) -> set[str]:
    """Return the relative references of a resource (``Type/id``), versions cut off."""
    found = set()
    for _, reference in references(dict(resource)):
        parts = reference.partition("/_history/")[0].split("/")
        if len(parts) == 2 and parts[0][:1].isupper():
            found.add("/".join(parts))
    return found


def _parts(reference: str) -> tuple[str, str]:
    type_, _, id_ = reference.partition("/")
    return type_, id_
