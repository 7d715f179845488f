"""What OpenAPI says of the bedside routes: parameters, bodies, answers, with examples that work."""

from typing import Any

from fhirmod.episode import KINDS

_WHEN = {"type": "string", "example": "2026-03-01T03:00:00Z"}
OPENING = {"facility": {"id": "clinic-7", "name": "District clinic"}, "at": "2026-03-01T02:00:00Z"}
FILL = {
    "kind": "fill",
    "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a01",
    "at": "2026-03-01T02:52:00Z",
    "volume_ml": 50,
}
VITALS = {
    "kind": "vital-signs",
    "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a02",
    "at": "2026-03-01T02:45:00Z",
    "pulse_per_min": 124,
    "systolic_mmhg": 92,
    "diastolic_mmhg": 50,
    "performed_by": {"id": "m1", "role": "midwife"},
}


def _parameter(name: str, meaning: str, schema: dict[str, Any], place: str = "query") -> dict[str, Any]:
    return {"name": name, "in": place, "required": place == "path", "description": meaning, "schema": schema}


_EPISODE = _parameter("episode", "The episode's id.", {"type": "string"}, "path")
_AS_OF = _parameter("as_of", "What happened by this instant.", _WHEN)
_KNOWN_AT = _parameter("known_at", "What had been received by this instant.", _WHEN)
_TRUTH = {"type": "boolean", "default": False}
_FINDINGS = {
    "description": "What was wrong, what was got, and what would be right, for each place.",
    "content": {
        "application/json": {
            "schema": {"$ref": "#/components/schemas/Findings"},
            "example": {
                "findings": [
                    {
                        "severity": "error",
                        "code": "field-missing",
                        "place": "facility",
                        "sentence": "The opening entry needs the field facility; it was not given.",
                    }
                ]
            },
        }
    },
}
_RECEIPT = {
    "description": "What became of each entry.",
    "content": {
        "application/json": {
            "schema": {"$ref": "#/components/schemas/Receipt"},
            "example": {
                "episode": "9b2f...",
                "version": 4,
                "dry_run": False,
                "entries": [
                    {"id": FILL["id"], "status": "accepted", "resources": ["Observation/...fill"], "findings": []}
                ],
                "released": [],
                "read": [],
                "unread": [],
                "ignored": [],
                "findings": [],
            },
        }
    },
}


def _route(
    parameters: list[dict[str, Any]],
    answers: dict[str, Any],
    body: dict[str, Any] | None = None,
) -> dict[str, Any]:
    extra: dict[str, Any] = {"parameters": parameters, "responses": answers | {"4XX": _FINDINGS}}
    if body is not None:
        extra["requestBody"] = {"required": True, "content": {"application/json": body}}
    return {"openapi_extra": extra, "response_model": None}


def _object(text: str) -> dict[str, Any]:
    return {"description": text, "content": {"application/json": {"schema": {"type": "object"}}}}


OPEN = _route(
    [],
    {"201": _object("Opened."), "200": _object("Was open already, with these words.")},
    {"schema": {"$ref": "#/components/schemas/opening"}, "example": OPENING},
)
LIST = _route(
    [
        _parameter("status", "Open or closed ones only.", {"type": "string", "enum": ["open", "closed"]}),
        _parameter("limit", "How many at most.", {"type": "integer", "minimum": 0}),
        _parameter("after", "Those behind this episode.", {"type": "string"}),
    ],
    {"200": _object("Heads of episodes.")},
)
HEAD = _route([_EPISODE], {"200": _object("The head of the episode.")})
APPEND = _route(
    [
        _EPISODE,
        _parameter("atomic", "Take the queue whole or not at all.", _TRUTH),
        _parameter("distinct", "These are acts of their own, although they look like one recorded already.", _TRUTH),
        _parameter("dryRun", "Answer, and keep nothing.", _TRUTH),
    ],
    {"200": _RECEIPT, "202": _RECEIPT},
    {
        "schema": {
            "oneOf": [
                {"$ref": "#/components/schemas/Entry"},
                {"type": "array", "items": {"$ref": "#/components/schemas/Entry"}},
                {
                    "type": "object",
                    "properties": {"entries": {"type": "array", "items": {"$ref": "#/components/schemas/Entry"}}},
                    "required": ["entries"],
                },
            ]
        },
        "examples": {"one": {"value": FILL}, "queue": {"value": [VITALS, FILL]}},
    },
)
ENTRIES = _route(
    [_EPISODE, _AS_OF, _KNOWN_AT, _parameter("all", "All that was received, with when.", _TRUTH)],
    {"200": _object("Entries.")},
)
STATE = _route(
    [_EPISODE, _AS_OF, _KNOWN_AT], {"200": _object("The computed state; every value, or why there is none.")}
)
BUNDLE = _route(
    [_EPISODE, _parameter("type", "Which Bundle.", {"type": "string", "enum": ["collection", "transaction"]})],
    {
        "200": {
            "description": "The case.",
            "content": {"application/fhir+json": {"schema": {"$ref": "#/components/schemas/Resource"}}},
        }
    },
)
HELD = _route([_EPISODE], {"200": _object("What waits, and why.")})


def schemas() -> dict[str, Any]:
    """Return the component schemas: one for each kind of entry, and the shapes of answers."""
    found: dict[str, Any] = {
        "Resource": {
            "type": "object",
            "required": ["resourceType"],
            "properties": {"resourceType": {"type": "string"}},
        },
        "Findings": {
            "type": "object",
            "required": ["findings"],
            "properties": {"findings": {"type": "array", "items": {"type": "object"}}},
        },
        "Receipt": {"type": "object", "required": ["episode", "version", "entries"]},
        "Entry": {
            "oneOf": [{"$ref": f"#/components/schemas/{kind}"} for kind in KINDS],
            "discriminator": {
                "propertyName": "kind",
                "mapping": {kind: f"#/components/schemas/{kind}" for kind in KINDS},
            },
        },
    }
    for kind, model in KINDS.items():
        schema = model.model_json_schema(ref_template="#/components/schemas/{model}")
        found |= schema.pop("$defs", {})
        optional = {"recorded_at", "kind", "id", "protocol"} if kind == "opening" else {"recorded_at"}
        schema["required"] = [name for name in schema["required"] if name not in optional]
        if kind != "opening":
            schema["required"].append("kind")
        found[kind] = schema
    return found
