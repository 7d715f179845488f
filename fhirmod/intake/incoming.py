"""A FHIR resource as it came in: read, checked, and placed at an id; its references led to where they point here."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from fhirmod.errors import Finding, InvalidError, PreconditionFailedError
from fhirmod.mapping import ENTRY_ID
from fhirmod.r4 import RESOURCE_TYPES, parse, refusals
from fhirmod.store import Access, Reader, Version

from .conditions import matching
from .request import Request

_OWN_ID = re.compile(r"([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})\.[a-z-]+")


@dataclass(frozen=True, slots=True)
class Incoming:
    """One resource of a request: what is to be done with it, and under which conditions."""

    text: bytes
    resource: Mapping[str, Any]
    method: Literal["POST", "PUT"]
    id: str | None = None
    if_match: str | None = None
    if_none_exist: str | None = None
    full_url: str | None = None

    @property
    def type(self) -> str:
        return str(self.resource["resourceType"])


@dataclass(frozen=True, slots=True)
class Placed:
    """An incoming resource at its id here; `current` stands there; `found` says that nothing is to be written."""

    incoming: Incoming
    id: str
    current: Version | None
    found: bool = False
    resource: Mapping[str, Any] | None = None

    @property
    def reference(self) -> str:
        return f"{self.incoming.type}/{self.id}"

    @property
    def living(self) -> bool:
        return self.current is not None and self.current.body is not None


def read_resource(text: bytes, expected: str) -> Mapping[str, Any]:
    """Return the resource of a request body, checked against R4.

    Errors: UnreadableError if it is not exact JSON; InvalidError with all findings that refuse it.
    """
    resource = parse(text)
    if not isinstance(resource, Mapping) or "resourceType" not in resource:
        raise InvalidError("The body must be one FHIR resource: a JSON object with resourceType.", place="resourceType")
    if resource["resourceType"] != expected:
        got = resource["resourceType"] if known_type(resource["resourceType"]) else "another type"
        raise InvalidError(f"The body must be a {expected}, as the address says; got {got}.", place="resourceType")
    refuse_invalid(resource)
    return resource


def known_type(value: Any) -> bool:
    """Return whether a received value names a resource type that is stored here."""
    return isinstance(value, str) and value in RESOURCE_TYPES


def refuse_invalid(resource: Mapping[str, Any]) -> None:
    """Return nothing if the resource is valid R4.

    Errors: InvalidError with every finding that refuses it.
    """
    wrong = tuple(refusals(resource))
    if wrong:
        raise InvalidError("The resource is not valid FHIR R4.", findings=wrong)


def place_all(reader: Reader, request: Request, incoming: Iterable[Incoming]) -> list[Placed]:
    """Return where each incoming resource stands or will stand; creates under one condition are one create.

    Errors: PreconditionFailedError if a condition does not hold; InvalidError if two would write one resource.
    """
    placed: list[Placed] = []
    first: dict[tuple[str, str], Placed] = {}
    written: set[str] = set()
    for number, one in enumerate(incoming):
        twin = first.get((one.type, one.if_none_exist or ""))
        here = place(reader, request, one) if twin is None else Placed(one, twin.id, twin.current, found=True)
        if one.if_none_exist is not None:
            first.setdefault((one.type, one.if_none_exist), here)
        if not here.found and here.reference in written:
            raise InvalidError(
                f"{here.reference} comes twice; a transaction may write a resource once.",
                place=f"Bundle.entry[{number}]",
            )
        if not here.found:
            written.add(here.reference)
        placed.append(here)
    return placed


def place(reader: Reader, request: Request, incoming: Incoming) -> Placed:
    """Return where an incoming resource stands or will stand.

    Errors: PreconditionFailedError if a condition does not hold.
    """
    access = request.access
    if incoming.if_none_exist is not None:
        matches = matching(reader, access, incoming.type, incoming.if_none_exist)
        if len(matches) > 1:
            raise _several(
                f"If-None-Exist matches {len(matches)} {incoming.type} resources; it must match none or one.",
                "If-None-Exist",
            )
        if matches:
            return Placed(incoming, matches[0], reader.get(access, incoming.type, matches[0]), found=True)
    if incoming.method == "PUT":
        assert incoming.id is not None
        current = reader.get(access, incoming.type, incoming.id)
        _hold_to_version(incoming, current)
        return Placed(incoming, incoming.id, current)
    own = own_id(incoming.resource)
    if own is not None:
        return Placed(incoming, own, reader.get(access, incoming.type, own))
    return Placed(incoming, request.new_id(), None)


def own_id(resource: Mapping[str, Any]) -> str | None:
    """Return the id of a resource that is an image of an entry (made here or by another of us), else None.

    Such an id names the entry, so it is kept even where the protocol would give a new one.
    """
    found = _OWN_ID.fullmatch(str(resource.get("id", "")))
    if found is None:
        return None
    identifiers = resource.get("identifier", ())
    listed = identifiers if isinstance(identifiers, list) else (identifiers,)
    named = any(one.get("system") == ENTRY_ID and one.get("value") == found[1] for one in listed)
    return found[0] if named or resource.get("resourceType") == "Provenance" else None


def _several(sentence: str, place: str) -> PreconditionFailedError:
    finding = Finding("error", "multiple-matches", "multiple-matches", place, sentence)
    return PreconditionFailedError(sentence, findings=(finding,))


def _hold_to_version(incoming: Incoming, current: Version | None) -> None:
    wanted = incoming.if_match
    if wanted is None:
        return
    versions = {part.strip().removeprefix("W/").strip('"') for part in wanted.split(",")}
    have = "none" if current is None else str(current.version)
    here = current is not None and have in versions
    if not here and not ("*" in versions and current is not None and current.body is not None):
        raise PreconditionFailedError(
            f"If-Match asks for version {wanted} of {incoming.type}/{incoming.id}; the current version is {have}.",
            place="If-Match",
        )


def lead(placed: Sequence[Placed], reader: Reader, access: Access) -> tuple[list[Placed], dict[str, str]]:
    """Return the resources with their links rewritten, and the table of links (as received -> here).

    Errors: PreconditionFailedError if a conditional reference matches none or several.
    """
    links: dict[str, str] = {}
    for one in placed:
        if one.incoming.full_url:
            links[one.incoming.full_url] = one.reference
        given = one.incoming.resource.get("id") or _id_in(one.incoming)
        if given and given != one.id:
            links[f"{one.incoming.type}/{given}"] = one.reference
    for reference in _strings(one.incoming.resource for one in placed):
        unversioned, versioned, _ = reference.partition("/_history/")
        if versioned and unversioned in links:
            links[reference] = links[unversioned]  # which version that was there, nobody can tell here
        type_, question, query = reference.partition("?")
        if question and type_ in RESOURCE_TYPES and reference not in links:
            here = ((one.id, one.incoming.resource) for one in placed if one.incoming.type == type_ and not one.found)
            matches = matching(reader, access, type_, query, among=here)
            if len(matches) != 1:
                sentence = f"The reference to {type_} matches {len(matches)} resources; it must match exactly one."
                raise (
                    _several(sentence, "reference") if matches else PreconditionFailedError(sentence, place="reference")
                )
            links[reference] = f"{type_}/{matches[0]}"
    return [replace(one, resource=rewritten(one.incoming.resource, links)) for one in placed], links


def _id_in(incoming: Incoming) -> str | None:
    """Return the id that a RESTful fullUrl gives a resource without one: relative references go by it.

    Source: http://hl7.org/fhir/R4/bundle.html#references
    """
    type_, _, id_ = (incoming.full_url or "").rpartition("/")
    return id_ if type_.startswith("http") and type_.endswith(f"/{incoming.type}") else None


def rewritten(value: Any, links: Mapping[str, str]) -> Any:
    """Return JSON values with every `reference` that the table of links names led to its target."""
    if not links:
        return value
    if isinstance(value, Mapping):
        return {
            name: links.get(item, item) if name == "reference" and isinstance(item, str) else rewritten(item, links)
            for name, item in value.items()
        }
    if isinstance(value, list):
        return [rewritten(item, links) for item in value]
    return value


def _strings(values: Iterable[Any]) -> Iterable[str]:
    """Return every `reference` string inside the values."""
    for value in values:
        if isinstance(value, Mapping):
            reference = value.get("reference")
            if isinstance(reference, str):
                yield reference
            yield from _strings(value.values())
        elif isinstance(value, list):
            yield from _strings(value)


def same_content(resource: Mapping[str, Any], stored: Mapping[str, Any]) -> bool:
    """Return whether two resources say the same, their identity and version aside."""
    return _content(resource) == _content(stored)


def _content(resource: Mapping[str, Any]) -> dict[str, Any]:
    content = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    return content | {"meta": meta} if meta else content
