"""What a FHIR server is, in a page: resources by address, each a list of versions, and one log of all that was done.

Written from http://hl7.org/fhir/R4/http.html alone; it knows nothing of how the service does it.
"""

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from typing import Any

SYSTEM = "urn:oid:2.999.1"
Body = dict[str, Any]


class Refused(Exception):  # noqa: N818
    """The status with which an interaction is refused; nothing is done."""

    def __init__(self, status: int) -> None:
        super().__init__(status)
        self.status = status


@dataclass
class Model:
    """The versions of each resource (None is a deletion) and the log of (method, address, version)."""

    versions: dict[str, list[Body | None]] = field(default_factory=dict)
    log: list[tuple[str, str, int]] = field(default_factory=list)

    def copy(self) -> "Model":
        return Model({one: list(its) for one, its in self.versions.items()}, list(self.log))

    def living(self, type_: str) -> dict[str, Body]:
        return {
            address: its[-1]
            for address, its in self.versions.items()
            if its[-1] is not None and address.startswith(f"{type_}/")
        }

    def identified(self, type_: str, value: str) -> list[str]:
        return [
            address
            for address, body in self.living(type_).items()
            if any(one["value"] == value for one in body.get("identifier", ()))
        ]

    def current(self, address: str) -> Body:
        if address not in self.versions:
            raise Refused(404)
        body = self.versions[address][-1]
        if body is None:
            raise Refused(410)
        return body

    def tag(self, address: str) -> int:
        return len(self.versions.get(address, ()))

    def write(self, method: str, address: str, body: Body | None) -> None:
        self.versions.setdefault(address, []).append(deepcopy(body))
        self.log.append((method, address, self.tag(address)))

    # interactions: each returns its status

    def create(self, address: str, body: Body) -> int:
        self.write("POST", address, body)
        return 201

    def found(self, type_: str, asked: Mapping[str, str]) -> str | None:
        """Return the one that a condition matches, or None."""
        found = [address for address, body in self.living(type_).items() if _meets(address, body, asked)]
        if len(found) > 1:
            raise Refused(412)
        return found[0] if found else None

    def update(self, address: str, body: Body, if_match: int | None) -> int:
        self._hold(address, if_match)
        before = self.versions.get(address, [None])[-1]
        if before is not None and text(before) == text(body):
            return 200
        self.write("PUT", address, body)
        return 201 if before is None else 200

    def patch(self, address: str, name: str, value: Any, if_match: int | None, *, by_path: bool = False) -> int:
        """Add an element: a JSON Patch sets it anew, a FHIRPath Patch is refused where it is there already."""
        if address in self.versions or if_match is not None:
            self._hold(address, if_match)
        body = deepcopy(self.current(address))
        if by_path and name in body:
            raise Refused(422)
        body[name] = value
        return self.update(address, body, None)

    def delete(self, address: str, if_match: int | None) -> int:
        self._hold(address, if_match)
        if self.versions.get(address, [None])[-1] is None:
            return 204
        self.write("DELETE", address, None)
        return 204

    def referring(self, address: str) -> list[str]:
        return [
            other
            for other, body in self.living("Observation").items()
            if body.get("subject", {}).get("reference") == address
        ]

    def whole(self, deleted: str) -> None:
        """Refuse if somebody is deleted who is still referred to."""
        if self.versions.get(deleted, [None])[-1] is None and self.referring(deleted):
            raise Refused(409)

    def _hold(self, address: str, if_match: int | None) -> None:
        if if_match is not None and (self.tag(address) != if_match or if_match == 0):
            raise Refused(412)


def _meets(address: str, body: Body, asked: Mapping[str, str]) -> bool:
    """Return whether a resource meets each part of a condition, by the few parameters that are asked here."""
    has = {
        "_id": {address.rpartition("/")[2]},
        "identifier": {f"{one['system']}|{one['value']}" for one in body.get("identifier", ())},
        "patient": {body.get("subject", {}).get("reference")},
        "gender": {body.get("gender")},
        "status": {body.get("status")},
    }
    return all(value in has[name] for name, value in asked.items())


def text(value: Any) -> str:
    """Return a value as text in which every digit counts and the order of properties does not."""
    if isinstance(value, dict):
        return "{" + ",".join(f"{name}:{text(value[name])}" for name in sorted(value)) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(text, value)) + "]"
    return f"{type(value).__name__} {value}"
