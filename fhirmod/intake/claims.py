"""What a request must be alone with until its commit, where several are written at the same time (PostgreSQL).

Rows that are there can be locked; that something is *not* there cannot. So a request claims, by name, the
identifiers it asks for or brings and the women it is about, and of two that share one the second waits.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from fhirmod.store import Key, Writer

from .conditions import values_asked
from .incoming import Incoming
from .placing import own_id
from .request import Request

_IDENTIFYING = frozenset({"Patient", "Procedure"})  # who, and which course


def claim(writer: Writer, request: Request, incoming: Sequence[Incoming]) -> None:
    """Return nothing; what these writes are about is theirs until the commit."""
    names = {name for one in incoming for name in _names(one)}
    writer.claim(request.access, names)
    keys: list[Key] = [(one.type, id_) for one in incoming if (id_ := one.id or own_id(one.resource or {})) is not None]
    writer.take(request.access, keys)


def identifier_name(type_: str, value: str) -> str:
    """Return the name under which an identifier is claimed, of whatever system."""
    return f"{type_}|{value}"


def _names(one: Incoming) -> Iterator[str]:
    if one.condition is not None:
        yield from (identifier_name(one.type, value) for value in values_asked(one.condition))
    resource: Mapping[str, Any] = one.resource or {}
    if one.type in _IDENTIFYING:
        for identifier in resource.get("identifier", ()):
            if isinstance(value := identifier.get("value"), str):
                yield identifier_name(one.type, value)
    for name in ("subject", "patient"):
        about = resource.get(name)
        reference = about.get("reference") if isinstance(about, Mapping) else None
        if isinstance(reference, str) and not reference.startswith("urn:"):
            yield reference
