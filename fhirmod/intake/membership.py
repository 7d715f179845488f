"""Which episode a resource belongs to, and on what basis.

A resource is a member if it references the anchor or a part of it, is referenced by a member, or came in one
Bundle with exactly one anchor of the same subject. A shared patient, practitioner, place or encounter makes
no member: they say where and who, not what.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from fhirmod.mapping import CONTEXT_TYPES, EPISODE_ID
from fhirmod.r4 import references
from fhirmod.store import Access, Reader
from terminology import find

from .placing import Placed

_NO_LINK = CONTEXT_TYPES | {"Encounter"}


def is_anchor(resource: Mapping[str, Any]) -> bool:
    """Return whether a resource is the Procedure of a whole tamponade: by its code or ours, never a broad code.

    A placement that is part of nothing stands for the whole course.
    """
    if resource.get("resourceType") != "Procedure":
        return False
    codings = resource.get("code", {}).get("coding", ())
    if find(codings, ("anchor",)) or any(one.get("system") == EPISODE_ID for one in resource.get("identifier", ())):
        return True
    if find(codings, ("placement",)) is None:
        return False
    return not any(link.get("reference", "").startswith("Procedure/") for link in resource.get("partOf", ()))


def members(
    placed: Sequence[Placed], anchors: Mapping[str, str], reader: Reader, access: Access
) -> dict[str, dict[str, str]]:
    """Return, for each resource of a request, the episodes it belongs to and why.

    Shape: `anchors` leads from the reference of each anchor of this request to its episode.
    """
    here = {one.reference: one for one in placed}
    links = {one.reference: _links(one) for one in placed}
    found: dict[str, dict[str, str]] = {one.reference: {} for one in placed}
    for reference, episode in anchors.items():
        found.setdefault(reference, {})[episode] = "anchor"
    outside = {target for targets in links.values() for target in targets if _leads(target)} - here.keys()
    stored = [(one.type, one.id) for one in placed if one.current is not None]
    asked = [*stored, *((target[0], target[2]) for target in map(_split, outside))]
    known = reader.episodes_of(access, asked) if asked else {}
    for one in placed:
        if one.current is not None:
            found[one.reference] |= {episode: basis or "" for episode, basis in known.get((one.type, one.id), ())}
        for target in links[one.reference] & outside:
            target_type, _, target_id = _split(target)
            found[one.reference] |= {episode: "references" for episode, _ in known.get((target_type, target_id), ())}
    _spread(found, links, anchors)
    if len(anchors) == 1:
        _same_bundle(found, here, anchors)
    return found


def _split(reference: str) -> tuple[str, str, str]:
    return reference.partition("/")


def _leads(reference: str) -> bool:
    return _split(reference)[0] not in _NO_LINK


def _spread(found: dict[str, dict[str, str]], links: Mapping[str, set[str]], anchors: Mapping[str, str]) -> None:
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


def _join(found: dict[str, dict[str, str]], reference: str, episodes: Mapping[str, str], basis: str) -> bool:
    if _is_context(reference):
        return False
    new = {episode: basis for episode in episodes if episode not in found[reference]}
    found[reference] |= new
    return bool(new)


def _same_bundle(found: dict[str, dict[str, str]], here: Mapping[str, Placed], anchors: Mapping[str, str]) -> None:
    [(anchor, episode)] = anchors.items()
    subject = _subject(here[anchor]) if anchor in here else None
    for reference, one in here.items():
        if not found[reference] and not _is_context(reference) and subject is not None and _subject(one) == subject:
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


def _links(one: Placed) -> set[str]:
    """Return the relative references of a resource (``Type/id``), versions cut off."""
    found = set()
    for _, reference in references(dict(one.resource or {})):
        parts = reference.partition("/_history/")[0].split("/")
        if len(parts) == 2 and parts[0][:1].isupper():
            found.add("/".join(parts))
    return found
