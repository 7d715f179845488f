"""Whose a resource is to write: what is assembled or computed here is not a client's, and some may not be deleted."""

from collections.abc import Mapping, Sequence
from typing import Any

from fhirmod.errors import BusinessRuleError, ConflictError
from fhirmod.mapping import ASSEMBLED_ID, CONTEXT_TYPES, DUE_PROFILE, EPISODE_ID, UnreadResource, is_derived
from fhirmod.mapping.urls import profile
from fhirmod.store import Writer

from .incoming import said_at
from .placing import Placed
from .putting import indexed
from .request import Request

_OURS = {"DeviceUseStatement": "device-use", "Flag": "balloon-in-place", "Task": DUE_PROFILE}
_SAYS_WHO_OR_WHERE = CONTEXT_TYPES - {"Provenance"}
_ENTRIES_FOR = {
    "Procedure": "a placement, removal or decision entry",
    "DeviceUseStatement": "a placement or removal entry",
    "Flag": "a placement or removal entry",
    "Task": "the entry of what was done",
}
_MOST_NAMED = 3


class Owners:
    """What of one request is not the client's to write: ignored in an import of resources, refused otherwise."""

    def __init__(self, writer: Writer, request: Request, placed: Sequence[Placed], *, importing: bool) -> None:
        self._writer, self._access, self._placed, self._importing = writer, request.access, placed, importing
        self.ignored: dict[str, UnreadResource] = {}

    def judge(self) -> None:
        """Ignore or refuse each write that is not the client's.

        Errors: BusinessRuleError naming the entry to post; ConflictError if something deleted is still needed.
        """
        for one in self._placed:
            with said_at(one.incoming.place):
                self._judge(one)
                if one.deletes and not one.found:
                    self._refuse_needed(one)

    def _judge(self, one: Placed) -> None:
        resource = one.resource or {}
        owner = one.current.owner if one.current is not None else None
        if owner == "derived" or is_derived(resource):
            self._not_theirs(one, "is computed from the entries; post the entry that changes it")
        elif owner == "assembled" or self._is_assembled(resource):
            kinds = _ENTRIES_FOR.get(one.type, "an entry")
            self._not_theirs(one, f"is assembled from the entries; post {kinds} instead")

    def _not_theirs(self, one: Placed, why: str) -> None:
        if one.found:
            return
        sentence = f"{one.reference} {why}."
        if not self._importing or one.incoming.method in ("PATCH", "DELETE"):
            raise BusinessRuleError(sentence, place=one.type)
        self.ignored[one.reference] = UnreadResource(one.reference, sentence)

    def _is_assembled(self, resource: Mapping[str, Any]) -> bool:
        """Return whether a resource is what this software assembles, of an episode whose opening is at hand."""
        episode = episode_named(resource)
        if episode is not None:
            return self._has_opening(episode)
        name = _OURS.get(str(resource.get("resourceType")))
        profiles = resource.get("meta", {}).get("profile", ())
        if name is None or ASSEMBLED_ID.fullmatch(str(resource.get("id", ""))) is None:
            return False
        return profile(name) in profiles

    def _has_opening(self, episode: str) -> bool:
        opening = f"Encounter/{episode}.encounter"
        return (
            any(one.reference == opening for one in self._placed)
            or self._writer.episode(self._access, episode) is not None
        )

    def _refuse_needed(self, one: Placed) -> None:
        """Return nothing if a resource can go: no opening of an episode, and nobody who is still referred to."""
        episode, dot, part = one.id.partition(".")
        opens = (one.type, dot, part) == ("Encounter", ".", "encounter")
        if opens and self._writer.episode(self._access, episode) is not None:
            raise BusinessRuleError(
                f"{one.reference} opens an episode and stays as long as that does; retract its entries.",
                place=one.type,
            )
        if one.type in _SAYS_WHO_OR_WHERE:
            rewritten = {(other.type, other.id) for other in self._placed if not other.found}
            referring = self._writer.referrers(self._access, one.type, one.id)
            keys = [(type_, id_) for type_, id_, _ in referring if (type_, id_) not in rewritten]
            versions = self._writer.get_many(self._access, keys) if keys else {}
            still = [f"{type_}/{id_}" for (type_, id_), its in versions.items() if its.owner == "asserted"]
            still += [other.reference for other in self._placed if not other.found and _refers(other, one)]
            if still:
                named = ", ".join(still[:_MOST_NAMED]) + (", ..." if len(still) > _MOST_NAMED else "")
                raise ConflictError(
                    f"{one.reference} is still referred to by {len(still)} resources ({named}); "
                    "delete or change those first, or in the same transaction.",
                    place=one.type,
                )


def _refers(other: Placed, one: Placed) -> bool:
    """Return whether a resource about to be written refers to another, as its index will say."""
    return other.resource is not None and (one.type, one.id) in {link[1:] for link in indexed(other.resource)[1]}


def episode_named(resource: Mapping[str, Any]) -> str | None:
    """Return the episode whose anchor this is, if it carries our episode identifier and the id that goes with it."""
    if resource.get("resourceType") != "Procedure":
        return None
    for one in resource.get("identifier", ()):
        if one.get("system") == EPISODE_ID and resource.get("id") == f"{one.get('value')}.anchor":
            return str(one["value"])
    return None
