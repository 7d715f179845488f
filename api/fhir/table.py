"""The one table of interactions: routes, CapabilityStatement and OpenAPI paths all come from it."""

from dataclasses import dataclass
from typing import Literal

from api.guard import Handler

from .reading import episode, read, vread
from .searching import search
from .writing import create, transaction, update


@dataclass(frozen=True, slots=True)
class Interaction:
    """One thing a client can do: R4's code for it, its method and path, the scope it needs, its handler."""

    code: str
    level: Literal["system", "type", "operation"]
    method: Literal["GET", "POST", "PUT"]
    path: str
    scope: Literal["read", "write", "open"]
    handler: Handler | None

    @property
    def summary(self) -> str:
        """Return the first line of what the handler says of itself."""
        text = self.handler.__doc__ if self.handler is not None else "Say what this service does."
        return (text or "").splitlines()[0]


INTERACTIONS: tuple[Interaction, ...] = (
    Interaction("capabilities", "system", "GET", "/metadata", "open", None),  # made from this table: `capability`
    Interaction("transaction", "system", "POST", "", "write", transaction),
    Interaction("search-type", "type", "GET", "/{type}", "read", search),
    Interaction("create", "type", "POST", "/{type}", "write", create),
    Interaction("read", "type", "GET", "/{type}/{id}", "read", read),
    Interaction("update", "type", "PUT", "/{type}/{id}", "write", update),
    Interaction("vread", "type", "GET", "/{type}/{id}/_history/{version}", "read", vread),
    Interaction("episode", "operation", "GET", "/Procedure/{id}/$episode", "read", episode),
)
