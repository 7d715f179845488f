"""What OpenAPI says of the bedside routes: parameters, bodies, answers, with examples that work."""

from typing import Any

from .bedside import ALONE

OPENING = {"facility": {"id": "clinic-7", "name": "District clinic (invented)"}, "at": "2026-03-01T02:00:00Z"}
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
CORRECTION = FILL | {
    "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a03",
    "volume_ml": 60,
    "corrects": FILL["id"],
    "reason": "read the syringe again",
}
RETRACTION = {
    "kind": "retraction",
    "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a04",
    "at": "2026-03-01T03:10:00Z",
    "retracts": FILL["id"],
    "reason": "this fill was another woman's",
}
_MOMENT = {"type": "string", "format": "date-time"}


def parameter(name: str, meaning: str, schema: dict[str, Any], place: str = "query", **more: Any) -> dict[str, Any]:
    """Return the description of a parameter."""
    required = {"required": True} if place == "path" else {}
    return {"name": name, "in": place, "description": meaning, "schema": schema, **required, **more}


def content(schema: str, kind: str = "application/json", **more: Any) -> dict[str, Any]:
    """Return the description of a body: a component, and examples if there are any."""
    return {kind: {"schema": {"$ref": f"#/components/schemas/{schema}"}, **more}}


_EPISODE = parameter("episode", "The episode's id.", {"type": "string"}, "path")
_AS_OF = parameter("as_of", "What happened by this instant.", _MOMENT, example="2026-03-01T03:00:00Z")
_KNOWN_AT = parameter("known_at", "What had been received by this instant.", _MOMENT)
_TRUTH = {"type": "boolean", "default": False}
_REFUSED = {
    "description": "What was wrong, what was got, and what would be right, for each place.",
    "content": content(
        "Findings",
        example={
            "findings": [
                {
                    "severity": "error",
                    "code": "field-missing",
                    "place": "facility",
                    "sentence": "The opening entry needs the field facility; it was not given.",
                }
            ]
        },
    ),
}


def _receipt(status: int) -> dict[str, Any]:
    words = [word for word, its in ALONE.items() if its == status]
    every = " A queue: what became of each entry." if status == 200 else ""
    return {"description": f"One entry alone: {' or '.join(words)}.{every}", "content": content("Receipt")}


def _answers(given: dict[int, str], **schemas: str) -> dict[str, Any]:
    said = {
        str(status): {"description": text, "content": content(schemas[f"_{status}"])} for status, text in given.items()
    }
    return {"responses": said | {"4XX": _REFUSED}}


OPERATIONS: dict[str, dict[str, Any]] = {
    "open-episode": {
        "requestBody": {"required": True, "content": content("Opening", example=OPENING)},
        **_answers({201: "Opened.", 200: "Was open already, with these words."}, _201="Opened", _200="Opened"),
    },
    "list-episodes": {
        "parameters": [
            parameter("status", "Open or closed ones only.", {"type": "string", "enum": ["open", "closed"]}),
            parameter("limit", "How many at most.", {"type": "integer", "minimum": 0, "default": 50}),
            parameter("after", "Those behind this episode: `next` of the list before.", {"type": "string"}),
        ],
        **_answers({200: "Heads of episodes."}, _200="Heads"),
    },
    "read-episode": {"parameters": [_EPISODE], **_answers({200: "The head of the episode."}, _200="Head")},
    "append-entries": {
        "parameters": [
            _EPISODE,
            parameter("atomic", "Take the queue whole or not at all.", _TRUTH),
            parameter("distinct", "These are acts of their own, although they look like recorded ones.", _TRUTH),
            parameter("dryRun", "Answer, and keep nothing.", _TRUTH),
        ],
        "requestBody": {
            "required": True,
            "content": content(
                "Entries",
                examples={
                    "one": {"summary": "One entry", "value": VITALS},
                    "queue": {"summary": "A queue, each entry judged alone", "value": [VITALS, FILL]},
                    "correction": {"summary": "A correction names what it corrects", "value": CORRECTION},
                    "retraction": {"summary": "A retraction names what it takes back", "value": RETRACTION},
                },
            ),
        },
        "responses": {
            "200": _receipt(200),
            "202": _receipt(202),
            "409": _receipt(409),
            "422": {
                "description": "One entry alone: refused, and held for repair (a receipt). With atomic: nothing was "
                "taken, and why (findings).",
                "content": {
                    "application/json": {
                        "schema": {
                            "anyOf": [{"$ref": f"#/components/schemas/{name}"} for name in ("Receipt", "Findings")]
                        }
                    }
                },
            },
            "4XX": _REFUSED,
        },
    },
    "read-entries": {
        "parameters": [_EPISODE, _AS_OF, _KNOWN_AT, parameter("all", "All that was received, with when.", _TRUTH)],
        **_answers({200: "Entries."}, _200="Listed"),
    },
    "read-state": {
        "parameters": [_EPISODE, _AS_OF, _KNOWN_AT],
        **_answers({200: "The computed state: every value, or the word for why there is none."}, _200="State"),
    },
    "read-findings": {
        "parameters": [
            _EPISODE,
            _AS_OF,
            _KNOWN_AT,
            parameter("tier", "Of one tier only.", {"type": "string", "enum": ["now", "soon", "review"]}),
        ],
        **_answers({200: "What the rules find; each with the key an acknowledgement names."}, _200="Open"),
    },
    "read-bundle": {
        "parameters": [
            _EPISODE,
            parameter("type", "Which Bundle.", {"type": "string", "enum": ["collection", "transaction"]}),
        ],
        "responses": {
            "200": {"description": "The case.", "content": content("Resource", "application/fhir+json")},
            "4XX": _REFUSED,
        },
    },
    "read-held": {"parameters": [_EPISODE], **_answers({200: "What waits, and why."}, _200="Held")},
    "health": {"responses": {"200": {"description": "The service is there.", "content": content("Health")}}},
}
