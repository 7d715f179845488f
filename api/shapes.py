"""The schemas that OpenAPI names: one for each kind of entry, made from the entries, and the shapes of answers."""

from collections.abc import Mapping
from typing import Any

from fhirmod.episode import KINDS, entry_schema

_TEXT = {"type": "string"}
_WHOLE = {"type": "integer"}
_FILLED_IN = frozenset({"recorded_at"})  # the moment of receipt, if the sender does not say
_OPENING_FILLED_IN = frozenset({"recorded_at", "kind", "id", "protocol"})


def schemas() -> dict[str, Any]:
    """Return the component schemas by name."""
    found: dict[str, Any] = dict(_ANSWERS)
    for kind in KINDS:
        schema = entry_schema(kind)
        for name, part in schema.pop("$defs", {}).items():
            found[name] = _led(part)
        for name in ("$schema", "$id", "$comment"):
            schema.pop(name, None)
        found[kind] = _sent(_led(schema), _FILLED_IN)
    found["Opening"] = _sent(found["opening"], _OPENING_FILLED_IN)
    found["Entry"] = {
        "oneOf": [_reference(kind) for kind in KINDS],
        "discriminator": {"propertyName": "kind", "mapping": {kind: _reference(kind)["$ref"] for kind in KINDS}},
    }
    return found


def _reference(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/schemas/{name}"}


def _sent(schema: Mapping[str, Any], filled_in: frozenset[str]) -> dict[str, Any]:
    """Return the schema of what a client sends: what is filled in here may be left out."""
    return {**schema, "required": [name for name in schema["required"] if name not in filled_in]}


def _led(value: Any) -> Any:
    """Return a schema whose references lead to components."""
    if isinstance(value, dict):
        return {
            name: one.replace("#/$defs/", "#/components/schemas/") if name == "$ref" else _led(one)
            for name, one in value.items()
        }
    return [_led(one) for one in value] if isinstance(value, list) else value


def _object(required: Mapping[str, Any], **optional: Any) -> dict[str, Any]:
    return {"type": "object", "required": list(required), "properties": {**required, **optional}}


def _list(name: str) -> dict[str, Any]:
    return {"type": "array", "items": _reference(name)}


_NAMED = {"episode": _TEXT, "version": _WHOLE}
_ANSWERS: dict[str, Any] = {
    "Resource": _object({"resourceType": _TEXT}),
    "Patch": {
        "type": "array",
        "items": _object(
            {"op": {"enum": ["add", "remove", "replace", "move", "copy", "test"]}, "path": _TEXT},
            **{"from": _TEXT, "value": {}},
        ),
    },
    "Finding": _object(
        {
            "severity": {"type": "string", "enum": ["fatal", "error", "warning", "information"]},
            "code": _TEXT,
            "place": _TEXT,
            "sentence": _TEXT,
        },
        tier={"type": "string", "enum": ["now", "soon", "review"]},
        source=_TEXT,
        key=_TEXT,
        since=_TEXT,
        acknowledged_until=_TEXT,
        parameters={"type": "array", "items": _TEXT},
    ),
    "Findings": _object({"findings": _list("Finding")}),
    "Result": _object(
        {
            "id": {"type": ["string", "null"]},
            "status": {"type": "string", "enum": ["accepted", "repeat", "refused", "conflict", "waiting", "ask"]},
            "resources": {"type": "array", "items": _TEXT},
            "findings": _list("Finding"),
        }
    ),
    "Receipt": _object(
        {
            **_NAMED,
            "dry_run": {"type": "boolean"},
            "entries": _list("Result"),
            "released": _list("Result"),
            "read": {"type": "array", "items": _object({"resource": _TEXT, "entry": _TEXT, "kind": _TEXT})},
            "unread": {"type": "array", "items": _object({"resource": _TEXT, "reason": _TEXT})},
            "ignored": {"type": "array", "items": _object({"resource": _TEXT, "reason": _TEXT})},
            "findings": _list("Finding"),
        }
    ),
    "Entries": {
        "oneOf": [_reference("Entry"), _list("Entry"), {**_object({"entries": _list("Entry")}), "maxProperties": 1}]
    },
    "Opened": _object({**_NAMED, "entry": _reference("Result")}),
    "Head": _object(
        {
            **_NAMED,
            "status": {"type": "string", "enum": ["open", "closed"]},
            "opened_at": _TEXT,
            "facility": _TEXT,
            "drill": {"type": "boolean"},
            "anchor": _TEXT,
            "protocol": _TEXT,
            "software": _TEXT,
        }
    ),
    "Heads": _object({"episodes": _list("Head")}, next=_TEXT),
    "Listed": _object(
        _NAMED,
        entries={"type": "array", "items": {"type": "object"}},
        received={
            "type": "array",
            "items": _object({"received_at": _TEXT, "inferred": {"type": "boolean"}, "entry": {"type": "object"}}),
        },
    ),
    "State": _object({**_NAMED, "as_of": _TEXT, "cautions": {"type": "array", "items": _TEXT}}),
    "Open": _object(_NAMED, findings=_list("Finding")),
    "Held": _object(
        {
            "episode": _TEXT,
            "held": {
                "type": "array",
                "items": _object(
                    {
                        "id": {"type": ["string", "null"]},
                        "waiting_for": {"type": "string", "enum": ["repair", "original"]},
                        "original": {"type": ["string", "null"]},
                        "sentence": _TEXT,
                        "received_at": _TEXT,
                        "entry": {},
                    }
                ),
            },
        }
    ),
    "Health": _object({"status": {"const": "ok"}, "software": _TEXT, "version": _TEXT}),
}
