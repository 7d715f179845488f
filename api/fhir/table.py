"""The one table of interactions: routes, CapabilityStatement and OpenAPI paths all come from it."""

from dataclasses import dataclass
from typing import Literal

from api.guard import Handler
from fhirmod.mapping import BASE

from .reading import episode, read, vread
from .searching import search
from .validating import validate, validate_stored
from .writing import create, transaction, update


@dataclass(frozen=True, slots=True)
class Interaction:
    """One thing a client can do: R4's code for it, its method and path, the scope it needs, its handler.

    Shape: `definition` is the canonical of an operation's definition.
    """

    code: str
    level: Literal["system", "type", "operation"]
    method: Literal["GET", "POST", "PUT"]
    path: str
    scope: Literal["read", "write", "open"]
    handler: Handler | None
    definition: str | None = None

    @property
    def name(self) -> str:
        """Return what names this row among all: the code, and for an operation also how it is called."""
        if self.level != "operation":
            return self.code
        return f"{self.code}-{self.method.lower()}-{'instance' if '{id}' in self.path else 'type'}"

    def offered_by(self, type_: str) -> bool:
        """Return whether an operation is offered by resources of a type."""
        return self.level == "operation" and self.path.split("/")[1] in ("{type}", type_)

    @property
    def summary(self) -> str:
        """Return the first line of what the handler says of itself."""
        text = self.handler.__doc__ if self.handler is not None else "Say what this service does."
        return (text or "").splitlines()[0]


EPISODE = f"{BASE}/OperationDefinition/episode"
VALIDATE = "http://hl7.org/fhir/OperationDefinition/Resource-validate"

INTERACTIONS: tuple[Interaction, ...] = (
    Interaction("capabilities", "system", "GET", "/metadata", "open", None),  # made from this table: `capability`
    Interaction("transaction", "system", "POST", "", "write", transaction),
    Interaction("search-type", "type", "GET", "/{type}", "read", search),
    Interaction("create", "type", "POST", "/{type}", "write", create),
    Interaction("read", "type", "GET", "/{type}/{id}", "read", read),
    Interaction("update", "type", "PUT", "/{type}/{id}", "write", update),
    Interaction("vread", "type", "GET", "/{type}/{id}/_history/{version}", "read", vread),
    Interaction("episode", "operation", "GET", "/Procedure/{id}/$episode", "read", episode, EPISODE),
    Interaction("validate", "operation", "POST", "/{type}/$validate", "read", validate, VALIDATE),
    Interaction("validate", "operation", "POST", "/{type}/{id}/$validate", "read", validate, VALIDATE),
    Interaction("validate", "operation", "GET", "/{type}/{id}/$validate", "read", validate_stored, VALIDATE),
)
