"""The whole case as one Bundle: every current resource of the episode and the patient, bytes as stored."""

from typing import Literal

from fhirmod.errors import NotFoundError
from fhirmod.mapping.urls import profile
from fhirmod.r4 import dump, parse, references
from fhirmod.store import Access, Reader, Version

from .following import logical

_SHARED = frozenset({"Patient", "Organization", "Practitioner", "PractitionerRole", "Location"})


def case_bundle(
    reader: Reader,
    access: Access,
    episode_id: str,
    base_url: str,
    *,
    type: Literal["collection", "transaction"] = "collection",
) -> bytes:
    """Return the case as a Bundle: the anchor first, then its members, then who and where they refer to.

    Shape: a `transaction` puts every resource at its own id, so sending it twice to another service changes
           nothing the second time.
    Errors: NotFoundError if there is no such episode.
    """
    row = reader.episode(access, episode_id)
    if row is None:
        raise NotFoundError(f"There is no episode {episode_id!r}; open it first.", place="episode")
    current: dict[tuple[str, str], Version] = {}
    for version in reader.members(access, episode_id):
        current[version.type, version.id] = version
    current |= reader.get_many(access, list(current))
    living = {key: version for key, version in current.items() if version.body is not None}
    living |= _shared(reader, access, living)
    anchor = (row.anchor_type, row.anchor_id)
    ordered = sorted(living.items(), key=lambda item: (item[0] != anchor, item[0][0] in _SHARED))
    entries = b",".join(_entry(version, base_url, type) for _, version in ordered)
    head = dump({"resourceType": "Bundle", "meta": {"profile": [profile("case")]}, "type": type})
    return head[:-1] + b',"entry":[' + entries + b"]}"


def _shared(reader: Reader, access: Access, living: dict[tuple[str, str], Version]) -> dict[tuple[str, str], Version]:
    wanted = set()
    named: set[tuple[str, str, str]] = set()
    for version in living.values():
        resource = parse(version.body or b"{}")
        for _, reference in references(resource):
            type_, slash, id_ = reference.partition("/")
            if slash and type_ in _SHARED:
                wanted.add((type_, id_))
        named.update(one for one in logical(resource) if one[0] in _SHARED)
    for type_, system, value in sorted(named):
        wanted.update((type_, id_) for id_ in reader.identified(access, type_, system, value))
    found = reader.get_many(access, sorted(wanted - living.keys()))
    return {key: version for key, version in found.items() if version.body is not None}


def _entry(version: Version, base_url: str, type_: str) -> bytes:
    reference = f"{version.type}/{version.id}"
    request = b',"request":' + dump({"method": "PUT", "url": reference}) if type_ == "transaction" else b""
    body = version.body or b""
    return b'{"fullUrl":' + dump(f"{base_url}/{reference}") + b',"resource":' + body + request + b"}"
