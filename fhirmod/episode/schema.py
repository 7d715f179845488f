"""The JSON Schema (2020-12) of each kind of entry: what the models read, said again for those who send.

The models are the definition; `UNSTATED` lists what no schema of this dialect can say.
"""

from typing import Any

from .entry import Entry
from .kinds import KINDS
from .moment import INSTANT_PATTERN

DIALECT = "https://json-schema.org/draft/2020-12/schema"
BASE = "https://fhirmod.example.org/schema/entry"

UNSTATED: dict[str, str] = {
    "own-id": "corrects must not be the entry's own id: a schema cannot compare two fields.",
    "range-order": "at_range.earliest must not be after latest: a schema cannot compare two instants.",
    "digits": "A number has at most 18 digits and lies within 1e-18 and 1e18: a schema counts no digits.",
    "duplicate-keys": "A JSON object names each key once: a schema sees the object after it was read.",
    "blank": "Blank text is judged by Unicode white space; the dialect's own \\s differs for U+0085 and U+FEFF.",
}

_INSTANT = {"type": "string", "pattern": INSTANT_PATTERN}
_GIVEN = {"not": {"type": "null"}}
_TRUE = {"const": True}
_COLLECTOR = {
    "if": {"properties": {"reading": {"const": "collector-total"}}, "required": ["reading"]},
    "then": {"properties": {"collector": _GIVEN}, "required": ["collector"]},
}


def _has(name: str, schema: dict[str, Any] = _GIVEN) -> dict[str, Any]:
    return {"required": [name], "properties": {name: schema}}


_REASONED = {"if": _has("corrects"), "then": _has("reason")}
_RULES: dict[str, list[dict[str, Any]]] = {
    "AtRange": [
        {
            "oneOf": [
                {**_has("plus_minus_min"), "not": {"anyOf": [_has("earliest"), _has("latest")]}},
                {
                    "required": ["earliest", "latest"],
                    "properties": {"earliest": _INSTANT, "latest": _INSTANT},
                    "not": _has("plus_minus_min"),
                },
            ]
        }
    ],
    "Woman": [{"anyOf": [_has("identifier"), {**_has("label"), "not": _has("identifier_system")}]}],
    "BloodLoss": [
        {"not": {"allOf": [_has("volume_ml"), _has("weighed")]}},
        {"anyOf": [_has("volume_ml"), _has("weighed"), _has("emptied", _TRUE)]},
        _COLLECTOR,
    ],
    "Urine": [_COLLECTOR],
    "Fluid": [_COLLECTOR],
    "Medication": [{"if": _has("drug", {"const": "other"}), "then": _has("drug_text")}],
    "VitalSigns": [{"if": _has("palpated", _TRUE), "then": {"not": _has("diastolic_mmhg", {"type": "number"})}}],
    "Retraction": [_has("reason")],
    "Acknowledgement": [_has("performed_by")],
}
_MUST_SAY = frozenset({"VitalSigns", "Laboratory"})


def entry_schema(kind: str) -> dict[str, Any]:
    """Return the JSON Schema of a kind of entry, agreeing with the model in both directions but for `UNSTATED`.

    Units:  each number's UCUM unit stands beside it under "unit".
    Shape:  JSON Schema 2020-12; integers may be written 5.0, as JSON has one kind of number.
    Errors: KeyError if there is no such kind.
    Source: https://json-schema.org/draft/2020-12/json-schema-core
    """
    model = KINDS[kind]
    schema = model.model_json_schema()
    definitions = schema.pop("$defs", {})
    for name, definition in definitions.items():
        _add_rules(name, definition)
    schema["properties"]["recorded_at"] = _INSTANT | {"title": "Recorded At"}
    _add_rules(model.__name__, schema)
    schema.setdefault("allOf", []).append(_REASONED)
    if model.__name__ in _MUST_SAY:
        schema["allOf"].append({"anyOf": [_has(name, {"not": {"enum": [None, False]}}) for name in _own(kind)]})
    schema["required"] = ["kind", *(name for name in schema["required"] if name != "kind")]
    head = {"$schema": DIALECT, "$id": f"{BASE}/{kind}", "$comment": " ".join(UNSTATED.values())}
    whole: dict[str, Any] = _exact_ends(head | schema | {"$defs": definitions})
    return whole


def _own(kind: str) -> list[str]:
    """Return the fields a kind adds to the envelope."""
    return [name for name in KINDS[kind].model_fields if name not in Entry.model_fields]


def _add_rules(name: str, schema: dict[str, Any]) -> None:
    if name in _RULES:
        schema.setdefault("allOf", []).extend(_RULES[name])


def _exact_ends(value: Any) -> Any:
    """Return the schema with patterns that no engine lets end before a last line end (some read $ so)."""
    if isinstance(value, dict):
        return {
            name: one[:-1] + r"(?!\n)$"
            if name == "pattern" and isinstance(one, str) and one.endswith("$")
            else _exact_ends(one)
            for name, one in value.items()
        }
    return [_exact_ends(one) for one in value] if isinstance(value, list) else value
