"""Where each write of a request stands or will stand: ids, current versions, conditions, patches applied.

Source: http://hl7.org/fhir/R4/http.html#trules for the order, #ccreate, #cond-update, #cdelete, #patch, #concurrency.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fhirmod.errors import (
    BadParameterError,
    ConflictError,
    Finding,
    GoneError,
    InvalidError,
    NotFoundError,
    PreconditionFailedError,
)
from fhirmod.mapping import ENTRY_ID
from fhirmod.store import Key, Reader, Version

from .conditions import Standing
from .incoming import Incoming, said_at
from .request import Request

_OWN_ID = re.compile(r"([0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12})\.[a-z-]+")
_ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2}


@dataclass(frozen=True, slots=True)
class Placed:
    """A write at its place here: `current` stands there now, `text` and `resource` will; None is a deletion.

    Shape: `found` says that nothing is to be written.
    """

    incoming: Incoming
    id: str
    current: Version | None
    found: bool = False
    resource: Mapping[str, Any] | None = None
    text: bytes = b""

    @property
    def type(self) -> str:
        return self.incoming.type

    @property
    def reference(self) -> str:
        return f"{self.type}/{self.id}"

    @property
    def living(self) -> bool:
        return self.current is not None and self.current.body is not None

    @property
    def deletes(self) -> bool:
        return self.incoming.method == "DELETE"


def place_all(reader: Reader, request: Request, incoming: Sequence[Incoming]) -> tuple[list[Placed], Standing]:
    """Return where each write stands or will stand, in the order given, and what stands after all of them.

    Errors: PreconditionFailedError if a condition does not hold; InvalidError if two would write one resource;
            NotFoundError or GoneError if there is nothing to patch; as `Patch.applied`.
    """
    placing = _Placing(reader, request, incoming)
    found: dict[int, Placed] = {}
    for number in sorted(range(len(incoming)), key=lambda number: _ORDER[incoming[number].method]):
        with said_at(incoming[number].place):
            found[number] = placing.take(incoming[number])
    return [found[number] for number in range(len(incoming))], placing.standing


class _Placing:
    """The state while writes are placed: what each sees of those before it."""

    def __init__(self, reader: Reader, request: Request, incoming: Sequence[Incoming]) -> None:
        self._reader, self._request = reader, request
        self.standing = Standing(reader, request)
        self._written: set[str] = set()
        named = [(one.type, id_) for one in incoming if (id_ := one.id or own_id(one.resource or {})) is not None]
        self._named = set(named)
        self._current = reader.get_many(request.access, named)

    def take(self, one: Incoming) -> Placed:
        here = self._place(one)
        if not here.found:
            if here.reference in self._written:
                raise InvalidError(
                    f"{here.reference} comes twice; a transaction may write a resource once.", place="request"
                )
            self._written.add(here.reference)
            self.standing.put(here.type, here.id, here.resource)
        return here

    def _place(self, one: Incoming) -> Placed:
        match one.method:
            case "POST":
                return self._create(one)
            case "PUT":
                return self._update(one)
            case "PATCH":
                return self._patch(one)
            case "DELETE":
                return self._delete(one)

    def _create(self, one: Incoming) -> Placed:
        if one.condition is not None:
            matches = self._matches(one, "If-None-Exist")
            if matches:
                return Placed(one, matches[0], self._at(one.type, matches[0]), found=True)
        own = own_id(one.resource or {})
        id_ = own or self._request.new_id()
        return Placed(one, id_, self._at(one.type, id_) if own else None, resource=one.resource, text=one.text)

    def _update(self, one: Incoming) -> Placed:
        id_ = one.id if one.condition is None else self._conditional_id(one)
        current = None if id_ is None else self._at(one.type, id_)
        _hold_to_version(one, id_, current)
        return Placed(one, id_ or self._request.new_id(), current, resource=one.resource, text=one.text)

    def _conditional_id(self, one: Incoming) -> str | None:
        """Return the id that a conditional update is for, None for a new one."""
        matches = self._matches(one, "The condition")
        sent = (one.resource or {}).get("id")
        if not matches:
            current = None if sent is None else self._at(one.type, sent)
            if current is not None and current.body is not None:
                raise ConflictError(
                    f"The condition matches nothing, and {one.type}/{sent} is there already; "
                    "update that by its id, or leave the id out.",
                    place=f"{one.type}.id",
                )
            return sent
        if sent not in (None, matches[0]):
            raise BadParameterError(
                f"The condition matches {one.type}/{matches[0]}, but the resource has another id; "
                "leave the id out, or give that one.",
                place=f"{one.type}.id",
            )
        return matches[0]

    def _patch(self, one: Incoming) -> Placed:
        if one.condition is not None:
            matches = self._matches(one, "The condition")
            if not matches:
                raise NotFoundError(f"The condition matches no {one.type}; nothing is patched.", place="condition")
            id_ = matches[0]
        else:
            id_ = one.id or ""
        current = self._at(one.type, id_)
        _hold_to_version(one, id_, current)
        if current is None:
            raise NotFoundError(f"{one.type}/{id_[:64]} was never here; a patch needs what it changes.", place=one.type)
        if current.body is None:
            raise GoneError(f"{one.type}/{id_} was deleted; a patch needs what it changes.", place=one.type)
        assert one.patch is not None
        text, resource = one.patch.applied(current)
        return Placed(one, id_, current, resource=resource, text=text)

    def _delete(self, one: Incoming) -> Placed:
        if one.condition is not None:
            matches = self._matches(one, "The condition")
            if not matches:
                return Placed(one, "", None, found=True)
            id_ = matches[0]
        else:
            id_ = one.id or ""
        current = self._at(one.type, id_)
        _hold_to_version(one, id_, current)
        return Placed(one, id_, current, found=current is None or current.body is None)

    def _matches(self, one: Incoming, said: str) -> list[str]:
        """Return the id that the write's condition matches, if any.

        Errors: PreconditionFailedError if there are several.
        """
        matches = self.standing.matching(one.type, one.condition or "")
        if len(matches) > 1:
            raise several(
                f"{said} matches {len(matches)} {one.type} resources; it must match none or one.", "condition"
            )
        return matches

    def _at(self, type_: str, id_: str) -> Version | None:
        key: Key = (type_, id_)
        if key not in self._named:
            return self._reader.get(self._request.access, type_, id_)
        return self._current.get(key)


def own_id(resource: Mapping[str, Any]) -> str | None:
    """Return the id of a resource that is an image of an entry (made here or by another of us), else None.

    Such an id names the entry, so it is kept even where the protocol would give a new one.
    """
    found = _OWN_ID.fullmatch(str(resource.get("id", "")))
    if found is None:
        return None
    identifiers = resource.get("identifier", [])
    listed = identifiers if isinstance(identifiers, list) else (identifiers,)
    named = any(one.get("system") == ENTRY_ID and one.get("value") == found[1] for one in listed)
    return found[0] if named or resource.get("resourceType") == "Provenance" else None


def several(sentence: str, place: str) -> PreconditionFailedError:
    """Return the error for a condition that matches several resources."""
    finding = Finding("error", "multiple-matches", "multiple-matches", place, sentence)
    return PreconditionFailedError(sentence, findings=(finding,))


def _hold_to_version(one: Incoming, id_: str | None, current: Version | None) -> None:
    """Return nothing if the write is for what stands: any of the tags of If-Match, none of If-None-Match."""
    have = "none" if current is None else str(current.version)
    living = current is not None and current.body is not None
    if one.if_match is not None:
        tags = _tags(one.if_match)
        if not (current is not None and have in tags) and not ("*" in tags and living):
            raise PreconditionFailedError(
                f"If-Match asks for version {one.if_match} of {one.type}/{id_ or '(new)'}; "
                f"the current version is {have}.",
                place="If-Match",
            )
    if one.if_none_match is not None:
        tags = _tags(one.if_none_match)
        if living and (have in tags or "*" in tags):
            raise PreconditionFailedError(
                f"If-None-Match asks for no version {one.if_none_match} of {one.type}/{id_}; "
                f"the current version is {have}.",
                place="If-None-Match",
            )


def _tags(header: str) -> set[str]:
    return {part.strip().removeprefix("W/").strip('"') for part in header.split(",")}
