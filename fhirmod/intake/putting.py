"""From images to rows of the store: bytes with their identity inside, and what they are found by."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from fhirmod.mapping import ENTRY_ID, EPISODE_ID, Image, Values, depends_on, derived_id, derived_image
from fhirmod.r4 import ReferenceValue, TokenValue, dump, search_parameters, search_values
from fhirmod.store import Method, OutboxRow, Owner, Put

from .indexing import values
from .snapshot import Snapshot

INDEXED = ("identifier", "patient")
_SUBJECT = ("subject", "patient", "for")


def body_of(resource: Mapping[str, Any]) -> Callable[[int, str], bytes]:
    """Return the writer of a resource of ours: its text once the version and time are known."""

    def text(version: int, updated: str) -> bytes:
        meta = {**resource.get("meta", {}), "versionId": str(version), "lastUpdated": updated}
        return dump({"resourceType": resource["resourceType"], "id": resource["id"], **resource, "meta": meta})

    return text


def put_image(image: Image, owner: Owner, episode: str, basis: str, method: Method = "POST") -> Put:
    """Return the row of one of our images; None as its body deletes it."""
    if image.body is None:
        return Put(image.type, image.id, owner, "DELETE", None, episode=episode, basis=basis)
    tokens, references = index(image.body)
    return Put(
        image.type, image.id, owner, method, body_of(image.body), tokens, references, episode, basis, values(image.body)
    )


def told(episode: str, version: int, now: str) -> OutboxRow:
    """Return the row that tells others of an episode's new version."""
    return OutboxRow("episode", episode, str(version).encode(), now)


def index(
    resource: Mapping[str, Any],
) -> tuple[tuple[tuple[str, str, str], ...], tuple[tuple[str, str, str], ...]]:
    """Return what one of our own images is found by, without evaluating a path (a test compares it with `indexed`)."""
    if resource["resourceType"] == "AdverseEvent":
        return (), ()  # R4 has no such parameters for it
    tokens = tuple(
        ("identifier", one["system"], one["value"])
        for one in resource.get("identifier", ())
        if one.get("system") in (ENTRY_ID, EPISODE_ID)
    )
    for name in _SUBJECT:
        reference = resource.get(name, {}).get("reference", "")
        if reference.startswith("Patient/"):
            return tokens, (("patient", "Patient", reference.removeprefix("Patient/")),)
    return tokens, ()


def indexed(
    resource: Mapping[str, Any],
) -> tuple[tuple[tuple[str, str, str], ...], tuple[tuple[str, str, str], ...]]:
    """Return what any resource is found by: its R4 search parameters that this service answers."""
    tokens: list[tuple[str, str, str]] = []
    references: list[tuple[str, str, str]] = []
    answered = search_parameters(str(resource["resourceType"]))
    for param in (name for name in INDEXED if name in answered):
        for value in search_values(dict(resource), param):
            if isinstance(value, TokenValue) and value.code:
                tokens.append((param, value.system or "", value.code))
            elif isinstance(value, ReferenceValue) and value.reference:
                type_, _, id_ = value.reference.partition("/")
                if type_ == value.type and id_ and "/" not in id_:
                    references.append((param, type_, id_))
    return tuple(dict.fromkeys(tokens)), tuple(dict.fromkeys(references))


def following(before: Snapshot, after: Snapshot) -> list[Put]:
    """Return the rows for what is assembled and derived differently in a later snapshot of the same episode."""
    puts = [
        put_image(image, "assembled", after.row.id, "assembled", "PUT" if reference in before.assembled else "POST")
        for reference, image in after.assembled.items()
        if before.assembled.get(reference) != image
    ]
    puts += [
        put_image(Image(image.type, image.id, None), "assembled", after.row.id, "assembled")
        for reference, image in before.assembled.items()
        if reference not in after.assembled
    ]
    puts += _derived(before.summary, after.summary, before, after)
    if after.local is not before.local:
        puts += _derived(before.local, after.local, before, after)
    return puts


def _derived(before: Values, after: Values, earlier: Snapshot, snapshot: Snapshot) -> list[Put]:
    """Return the rows for changed values only; a value that can no longer be computed is deleted.

    Shape: all are written anew where what they refer to changed, and those that became doubtful or no longer are;
           a value with another digit (0.0 for 0) is another value.
    """
    episode, context, puts = snapshot.row.id, snapshot.context, []
    doubt, now = earlier.incomplete, snapshot.incomplete
    elsewhere = replace(earlier.context, also=context.also) != context
    for key, pair in after.items():
        known = before.get(key)
        anew = elsewhere or (doubt != now and depends_on(key).isdisjoint(doubt) != depends_on(key).isdisjoint(now))
        if known is pair and not anew:
            continue
        value, entry = pair
        if known is None or known[0].compare_total(value) or _moved(known[1], entry) or anew:
            image = derived_image(key, value, entry, episode, context, now)
            puts.append(put_image(image, "derived", episode, "derived", "POST" if known is None else "PUT"))
    gone = before.keys() - after.keys()
    images = (Image("Observation", derived_id(key, episode), None) for key in sorted(gone))
    return puts + [put_image(image, "derived", episode, "derived") for image in images]


def _moved(before: Any, after: Any) -> bool:
    """Return whether the entry a value is local to was corrected in a way its Observation shows."""
    return before is not after and before is not None and after is not None and before.at != after.at
