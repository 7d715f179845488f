"""The OpenAPI document: the bedside paths and the FHIR paths, each from its one table."""

from collections.abc import Sequence
from typing import Any

from fhirmod import __version__
from fhirmod.exchange import CAUTIONS

from .describing import OPERATIONS, content, parameter
from .fhir import INTERACTIONS, Interaction
from .fhir.terminology import EXPAND, LOOKUP, TRANSLATE, VALIDATE
from .routes import ROUTES
from .scopes import Bedside, Need, said
from .shapes import schemas

_FHIR = "application/fhir+json"
_STRING = {"type": "string"}
_PREFER = parameter(
    "Prefer", "return=minimal, representation or OperationOutcome.", _STRING, "header", example="return=representation"
)
_FORMAT = [
    parameter("_format", "application/fhir+json or json; counts before Accept.", _STRING),
    parameter("_pretty", "Laid out with line breaks.", {"type": "boolean"}),
]
_PART = [
    parameter("_summary", "Which part.", {"type": "string", "enum": ["true", "text", "data", "false"]}),
    parameter("_elements", "Names of elements, separated by commas.", _STRING),
]
_COUNT = parameter("_count", "How many at most on a page.", {"type": "integer", "minimum": 0})
_IF_MATCH = parameter("If-Match", "The ETag that is to be replaced.", _STRING, "header", example='W/"1"')
_CONDITION = parameter("identifier", "system|value: which resource is meant.", _STRING)
_PAST = [
    parameter("_since", "Versions written from this instant on.", {"type": "string", "format": "date-time"}),
    parameter("_at", "Versions current at some time of this date or instant.", _STRING),
    _COUNT,
    *_PART,
]
_AS_OF = [
    parameter("as_of", "What happened by this instant.", {"type": "string", "format": "date-time"}),
    parameter("known_at", "What had been received by this instant.", {"type": "string", "format": "date-time"}),
]
_SCHEMA: dict[str, dict[str, Any]] = {"boolean": {"type": "boolean"}, "integer": {"type": "integer", "minimum": 0}}
_TERM_SAID = {
    "url": "The canonical of the ValueSet, CodeSystem or ConceptMap.",
    "code": "The code asked about.",
    "system": "The code system of the code.",
    "display": "A display to be checked.",
    "filter": "A text that display or code must hold.",
    "offset": "How many to pass over.",
    "count": "How many at most.",
    "targetsystem": "The code system to translate into.",
    "reverse": "From the map's target to its source.",
}
_WHOLE = [
    parameter("_since", "Resources written from this instant on.", {"type": "string", "format": "date-time"}),
    parameter("_type", "Types of R4, separated by commas.", _STRING, example="Observation,Procedure"),
    _COUNT,
]
_SEARCH = [
    parameter("_id", "One id or several, separated by commas.", _STRING),
    parameter("identifier", "value, system|value or |value.", _STRING),
    parameter("patient", "An id or Patient/id, where the type has it.", _STRING),
    _COUNT,
    parameter("_total", "Whether to count all matches.", {"type": "string", "enum": ["none", "estimate", "accurate"]}),
    parameter("_include", "Type:parameter, whose targets are brought along; :iterate goes on.", _STRING),
    parameter("_revinclude", "Type:parameter that leads to what is found.", _STRING),
    parameter("_summary", "Which part.", {"type": "string", "enum": ["true", "text", "data", "count", "false"]}),
    _PART[1],
    parameter("Prefer", "handling=strict or lenient.", _STRING, "header", example="handling=strict"),
]
_ASKED: dict[str, list[dict[str, Any]]] = {
    "search-type": _SEARCH,
    "search-compartment": _SEARCH,
    "read": [
        parameter("If-None-Match", "The ETag the client has.", _STRING, "header", example='W/"1"'),
        parameter("If-Modified-Since", "When the client asked last.", _STRING, "header"),
        *_PART,
    ],
    "vread": _PART,
    "history-instance": _PAST,
    "history-type": _PAST,
    "history-system": _PAST,
    "create": [
        parameter("If-None-Exist", "identifier=system|value.", _STRING, "header"),
        _PREFER,
    ],
    "update": [_IF_MATCH, _PREFER],
    "patch": [_IF_MATCH, _PREFER],
    "delete": [_IF_MATCH, _PREFER],
    "conditional-update": [_CONDITION, _IF_MATCH, _PREFER],
    "conditional-patch": [_CONDITION, _IF_MATCH, _PREFER],
    "conditional-delete": [_CONDITION, _IF_MATCH, _PREFER],
    "transaction": [parameter("dryRun", "Answer, and keep nothing.", {"type": "boolean"}), _PREFER],
    "document": [parameter("persist", "Keep the document as a Bundle; by POST.", {"type": "boolean"})],
    "document-composition-get-type": [parameter("id", "The id of the Composition, or its address here.", _STRING)],
    "episode": _AS_OF,
    **{
        code: [
            parameter(name, _TERM_SAID.get(name, "As R4 defines it."), _SCHEMA.get(kind, _STRING))
            for name, kind in kinds.items()
            if not kind[0].isupper()
        ]
        for code, kinds in (
            ("expand", EXPAND),
            ("validate-code", {**VALIDATE["ValueSet"], **VALIDATE["CodeSystem"]}),
            ("lookup", LOOKUP),
            ("translate", TRANSLATE),
        )
    },
    "everything": _WHOLE,
    "everything-patient-get-instance": [
        parameter("start", "Care from this date on.", {"type": "string", "format": "date"}),
        parameter("end", "Care up to this date.", {"type": "string", "format": "date"}),
        *_WHOLE,
    ],
    "validate": [
        parameter(
            "mode", "What is to be done with it.", {"type": "string", "enum": ["create", "update", "delete", "profile"]}
        ),
        parameter(
            "profile",
            "The canonical of an R4 type or vital-signs profile to hold it against.",
            _STRING,
            example="http://hl7.org/fhir/StructureDefinition/bp",
        ),
    ],
}


_SCHEMES = {
    "bearer": {
        "type": "http",
        "scheme": "bearer",
        "bearerFormat": "JWT",
        "description": "A token of the service's issuer; beside each operation stand the scopes it needs, {type} being "
        "the resource type asked for. The words system/ and user/ grant the same.",
    }
}


def document(*, secured: bool = False) -> dict[str, Any]:
    """Return the OpenAPI document of the service; `secured` is whether it asks for tokens."""
    paths: dict[str, dict[str, Any]] = {}
    for route in ROUTES:
        head, text = _said(route.handler.__doc__)
        operation = {"operationId": route.name, "tags": ["bedside"], "summary": head, "description": text}
        wants = _security(route.needs) if secured else {}
        paths.setdefault(route.path, {})[route.method.lower()] = operation | OPERATIONS[route.name] | wants
    for one in INTERACTIONS:
        paths.setdefault(f"/fhir{one.path}", {})[one.method.lower()] = _interaction(one) | (
            _security(None if one.scope == "open" else one.needs({"type": "{type}"})) if secured else {}
        )
    return {
        "openapi": "3.1.0",
        "info": {"title": "fhirmod", "version": __version__, "description": " ".join(CAUTIONS[:2])},
        "paths": paths,
        "components": {"schemas": schemas()} | ({"securitySchemes": _SCHEMES} if secured else {}),
    }


def _security(needs: Sequence[Need | Bedside] | None) -> dict[str, Any]:
    return {"security": [] if needs is None else [{"bearer": [said(need) for need in needs]}]}


def _said(text: str | None) -> tuple[str, str]:
    """Return the first line of a docstring, and the whole of it in one line."""
    lines = [line.strip() for line in (text or "").splitlines() if line.strip()]
    return lines[0], " ".join(lines)


def _interaction(one: Interaction) -> dict[str, Any]:
    names = [part[1:-1] for part in one.path.split("/") if part.startswith("{")]
    described: dict[str, Any] = {
        "operationId": f"fhir-{one.name}",
        "tags": ["fhir"],
        "summary": one.summary,
        "parameters": [
            *(parameter(name, f"The {name} of the resource.", _STRING, "path") for name in names),
            *_ASKED.get(one.name, _ASKED.get(one.code, ())),
            *_FORMAT,
        ],
        "responses": {
            "2XX": {"description": "A resource.", "content": content("Resource", _FHIR)},
            "4XX": {"description": "An OperationOutcome.", "content": content("Resource", _FHIR)},
        },
    }
    if one.code == "read":
        described["responses"]["304"] = {"description": "The client has the current version."}
    if one.method == "PATCH":
        forms = content("Patch", "application/json-patch+json") | content("Resource", _FHIR)
        described["requestBody"] = {"required": True, "content": forms}
    if one.code == "search-type" and one.method == "POST":
        form = {"application/x-www-form-urlencoded": {"schema": {"type": "object"}, "example": {"_count": "2"}}}
        described["requestBody"] = {"required": True, "content": form}
    elif one.method in ("POST", "PUT"):
        wanted = one.level != "operation" or one.code == "validate"  # other operations may come without Parameters
        described["requestBody"] = {"required": wanted, "content": content("Resource", _FHIR)}
    return described
