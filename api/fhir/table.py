"""The one table of interactions: routes, CapabilityStatement and OpenAPI paths all come from it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from api.guard import Handler
from api.scopes import Letter, Need
from fhirmod.mapping import BASE, TABLES

from .answering import Reading, answering
from .document import document
from .episode import episode
from .everything import everything_of_encounter, everything_of_patient
from .history import history_instance, history_system, history_type
from .posted import search_posted
from .reading import read, vread
from .searching import search, search_compartment
from .terminology import expand, lookup, translate, validate_in_set, validate_in_system
from .validating import validate, validate_stored
from .writing import create, delete, delete_found, patch, patch_found, update, update_found

Level = Literal["system", "type", "conditional", "compartment", "operation"]


@dataclass(frozen=True, slots=True)
class Interaction:
    """One thing a client can do: R4's code for it, its method and path, the scope it needs, what answers.

    Shape: a `reading` asks the store and can stand inside a transaction; neither it nor a `handler` where the answer
           is made from this table itself. `definition` is the canonical of an operation's definition.
    """

    code: str
    level: Level
    method: Literal["GET", "POST", "PUT", "PATCH", "DELETE"]
    path: str
    scope: Literal["read", "write", "open"]
    handler: Handler | None = None
    reading: Reading | None = None
    definition: str | None = None

    @property
    def answer(self) -> Handler | None:
        """Return the handler, if this table knows it."""
        return answering(self.reading) if self.reading is not None else self.handler

    def needs(self, named: Mapping[str, str]) -> tuple[Need, ...]:
        """Return what the caller must be granted, given the placeholders of the path; the entries of a Bundle are
        judged each.

        Shape:  a condition finds what it names, so it needs s too; a code without letters needs every type readable.
                What an operation gives beyond its type its handler asks for, or, as the episode, all it is read from.
        Source: SMART App Launch 2, scopes, as `api.scopes` has it.
        """
        letters = _LETTERS.get(self.code)
        if self.scope == "open" or letters == ():
            return ()
        if letters is None:
            return (("r", "*"),)
        first = self.path.split("/")[1]
        type_ = named.get("type", "*") if "{type}" in self.path else first if first.isalpha() else "*"
        found = (*letters, "s") if self.level == "conditional" else letters
        of = _READ_FROM if self.code == "episode" else (type_,)
        return tuple((letter, one) for letter in found for one in of)

    @property
    def name(self) -> str:
        """Return what names this row among all: the code, and where that is not enough how it is called."""
        if self.level == "conditional":
            return f"conditional-{self.code}"
        if self.path.endswith("/_search"):
            return f"{self.code}-posted"
        if self.level != "operation":
            return self.code
        of = "" if self.path.startswith("/{type}") else f"{self.path.split('/')[1].lower()}-"
        return f"{self.code}-{of}{self.method.lower()}-{'instance' if '{id}' in self.path else 'type'}"

    def offered_by(self, type_: str) -> bool:
        """Return whether an operation is offered by resources of a type."""
        return self.level == "operation" and self.path.split("/")[1] in ("{type}", type_)

    @property
    def summary(self) -> str:
        """Return the first line of what the handler says of itself."""
        if self.answer is None:
            return _SAID[self.code]
        return (self.answer.__doc__ or "").splitlines()[0]


EPISODE = f"{BASE}/OperationDefinition/episode"
_HL7 = "http://hl7.org/fhir/OperationDefinition/"
VALIDATE = f"{_HL7}Resource-validate"
_ONE, _ALL = "/{type}/{id}", "/{type}"
_LETTERS: dict[str, tuple[Letter, ...]] = {
    "batch": (),
    "transaction": (),
    "read": ("r",),
    "vread": ("r",),
    "history-instance": ("r",),
    "history-type": ("s",),
    "history-system": ("s",),
    "search-type": ("s",),
    "search-compartment": ("s",),
    "create": ("c",),
    "update": ("u",),
    "patch": ("u",),
    "delete": ("d",),
    "validate": ("r",),
    "expand": ("r",),
    "validate-code": ("r",),
    "lookup": ("r",),
    "translate": ("r",),
    "everything": ("r",),
    "document": ("r",),
    "episode": ("r",),
}
_READ_FROM = tuple(sorted({"Patient", *(part.type for one in TABLES.values() for part in one.parts)}))
_SAID = {
    "capabilities": "Say what this service does.",
    "transaction": "Take a transaction, whole or nothing of it; a batch comes to the same address.",
    "batch": "Take a batch, each entry for itself.",
}

# type, operation, at an instance too, what answers; each by GET and by POST
_TERMS: tuple[tuple[str, str, bool, Handler], ...] = (
    ("ValueSet", "expand", True, expand),
    ("ValueSet", "validate-code", True, validate_in_set),
    ("CodeSystem", "validate-code", True, validate_in_system),
    ("CodeSystem", "lookup", False, lookup),
    ("ConceptMap", "translate", True, translate),
)
_BOTH: tuple[Literal["GET", "POST"], ...] = ("GET", "POST")
_OPERATION = "http://hl7.org/fhir/OperationDefinition/"

INTERACTIONS: tuple[Interaction, ...] = (
    Interaction("capabilities", "system", "GET", "/metadata", "open"),
    Interaction("batch", "system", "POST", "", "write"),
    Interaction("transaction", "system", "POST", "", "write"),
    Interaction("history-system", "system", "GET", "/_history", "read", reading=history_system),
    Interaction("search-type", "type", "GET", _ALL, "read", reading=search),
    Interaction("search-type", "type", "POST", f"{_ALL}/_search", "read", search_posted),
    Interaction("create", "type", "POST", _ALL, "write", create),
    Interaction("history-type", "type", "GET", f"{_ALL}/_history", "read", reading=history_type),
    Interaction("read", "type", "GET", _ONE, "read", reading=read),
    Interaction("update", "type", "PUT", _ONE, "write", update),
    Interaction("patch", "type", "PATCH", _ONE, "write", patch),
    Interaction("delete", "type", "DELETE", _ONE, "write", delete),
    Interaction("history-instance", "type", "GET", f"{_ONE}/_history", "read", reading=history_instance),
    Interaction("vread", "type", "GET", f"{_ONE}/_history/{{version}}", "read", reading=vread),
    Interaction("update", "conditional", "PUT", _ALL, "write", update_found),
    Interaction("patch", "conditional", "PATCH", _ALL, "write", patch_found),
    Interaction("delete", "conditional", "DELETE", _ALL, "write", delete_found),
    Interaction(
        "search-compartment", "compartment", "GET", f"/{{compartment}}/{{id}}{_ALL}", "read", reading=search_compartment
    ),
    Interaction("episode", "operation", "GET", "/Procedure/{id}/$episode", "read", episode, definition=EPISODE),
    *(
        Interaction("everything", "operation", method, f"/{type_}/{{id}}/$everything", "read", asks, definition=said)
        for type_, asks, said in (
            ("Patient", everything_of_patient, f"{_HL7}Patient-everything"),
            ("Encounter", everything_of_encounter, f"{_HL7}Encounter-everything"),
        )
        for method in ("GET", "POST")
    ),
    *(
        Interaction("document", "operation", method, path, "read", document, definition=f"{_HL7}Composition-document")
        for path in ("/Composition/$document", "/Composition/{id}/$document")
        for method in ("GET", "POST")
    ),
    Interaction("validate", "operation", "POST", f"{_ALL}/$validate", "read", validate, definition=VALIDATE),
    Interaction("validate", "operation", "POST", f"{_ONE}/$validate", "read", validate, definition=VALIDATE),
    Interaction("validate", "operation", "GET", f"{_ONE}/$validate", "read", validate_stored, definition=VALIDATE),
    *(
        Interaction(code, "operation", method, path, "read", answers, definition=f"{_OPERATION}{of}-{code}")
        for of, code, at_instance, answers in _TERMS
        for path in (f"/{of}/${code}", *((f"/{of}/{{id}}/${code}",) if at_instance else ()))
        for method in _BOTH
    ),
)
