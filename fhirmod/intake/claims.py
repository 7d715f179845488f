"""What a request must be alone with until its commit, where several are written at the same time (PostgreSQL).

Rows that are there can be locked; that something is *not* there cannot. So a request claims, by name, the
conditions it makes, the identifiers it brings and the women it is about, and of two that share one the second waits.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from fhirmod.r4 import alternatives, token
from fhirmod.store import Key, Writer

from .conditions import asked_by
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


def _of_condition(type_: str, query: str) -> Iterator[str]:
    """Yield what two requests under one condition have in common: each identifier; the whole of it if there is more."""
    asked = asked_by(query)
    identifiers = [token(one)[1] for name, value in asked if name == "identifier" for one in alternatives(value)]
    yield from (identifier_name(type_, one) for one in identifiers if one)
    if len(asked) > 1 or not identifiers or None in identifiers:
        yield f"{type_}?{urlencode(sorted(asked))}"


def _names(one: Incoming) -> Iterator[str]:
    if one.condition is not None:
        yield from _of_condition(one.type, one.condition)
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
