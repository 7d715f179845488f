"""The fast subset of R4 as one JSON Schema: what it accepts, the walker finds no error in.

It is closed and made from the same facts as the walker. What a schema cannot say stands under keywords of
our own (`KEYWORDS` in `accept`), which call the walker's own functions; a library that does not know them
passes over them and accepts a little more. Left out on purpose, so that the walker judges them: contained
resources, ids of elements, null in lists, references to `#`, documents.
"""

from functools import cache
from typing import Any

from .facts import known_types
from .fragments import MOOT, PATTERNS, TRANSLATED
from .plan import Plan, Slot, plan
from .shapes import PRIMITIVES

Schema = dict[str, Any]

SUBSET_TYPES = (
    "Observation",
    "MedicationAdministration",
    "Procedure",
    "Condition",
    "Device",
    "DeviceUseStatement",
    "Task",
    "Provenance",
    "Communication",
    "ServiceRequest",
    "Patient",
    "Encounter",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Location",
    "RelatedPerson",
    "Flag",
    "AdverseEvent",
    "Consent",
    "Medication",
)
_LEFT_OUT = frozenset(("contained", "implicitRules", "modifierExtension"))
# What a value of any type may be here: the metadata types of R4 stand in definitions, not in cases.
_VALUES = PRIMITIVES | frozenset(
    """
    Address Age Annotation Attachment CodeableConcept Coding ContactPoint Count Duration HumanName Identifier
    Period Quantity Range Ratio Reference
    """.split()  # noqa: SIM905 - a table reads better
)
_OF_ANY_TYPE = frozenset(("Extension", "Task.input", "Task.output"))
_UUID = "urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"
_ID = r"[A-Za-z0-9\-.]{1,64}"


def subset_schema() -> Schema:
    """Return the JSON Schema (draft 2020-12) of the subset: one resource of `SUBSET_TYPES`, or a Bundle of them."""
    defs: dict[str, Schema] = {}
    resource = _switch((*SUBSET_TYPES,), defs)
    defs["Resource"] = resource
    bundle = _definition("Bundle", defs)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "R4 resources as fhirmod takes them at once",
        "$comment": "Generated from the R4 4.0.1 definitions; closed on purpose: more is valid R4 than this accepts.",
        "if": {"properties": {"resourceType": {"const": "Bundle"}}, "required": ["resourceType"]},
        "then": {"$ref": bundle},
        "else": {"$ref": "#/$defs/Resource"},
        "$defs": defs,
    }


def _switch(types: tuple[str, ...], defs: dict[str, Schema]) -> Schema:
    """Return a chain that leads from resourceType to the definition of that type."""
    chain: Any = False
    for name in reversed(types):
        chain = {
            "if": {"properties": {"resourceType": {"const": name}}, "required": ["resourceType"]},
            "then": {"$ref": _definition(name, defs)},
            "else": chain,
        }
    return {"type": "object", **chain}


def _definition(name: str, defs: dict[str, Schema], *, nested: bool = False) -> str:
    """Return the reference to a type's definition, made when first asked for."""
    key = name.replace("|", "-") + ("-nested" if nested else "")
    if key not in defs:
        defs[key] = {}
        made = _extension(defs, nested=nested) if name == "Extension" else _object(name, plan(name), defs)
        defs[key].update(made)
    return f"#/$defs/{key}"


def _object(name: str, shape: Plan, defs: dict[str, Schema]) -> Schema:
    resource = name in known_types()
    properties: dict[str, Any] = {"resourceType": {"const": name}} if resource else {}
    groups: dict[str, list[str]] = {}
    for key, slot in shape.slots.items():
        if key in _LEFT_OUT or (key == "id" and not resource) or key == "_id" or (slot.companion and slot.many):
            continue
        if (schema := _property(name, key, slot, defs)) is None:
            continue
        properties[key] = schema
        if slot.group:
            groups.setdefault(slot.group, []).append(key.removeprefix("_"))
    made: Schema = {
        "type": "object",
        "properties": properties,
        "additionalProperties": False,
        "minProperties": 1,
    }
    required = ["resourceType"] if resource else []
    demands: list[Schema] = []
    for _, keys in shape.required:
        (required.append(keys[0]) if len(keys) == 1 else demands.append(_any_of(keys)))
    if required:
        made["required"] = required
    alone = {key: others for keys in groups.values() for key, others in _others(sorted(set(keys))).items()}
    if alone:
        made["dependentSchemas"] = {
            form: {"properties": dict.fromkeys(others, False)}
            for key, others in alone.items()
            for form in (key, "_" + key)
            if form in properties
        }
    rules = [text for key, severity, text, _ in shape.checks if severity == "error" and key not in MOOT]
    demands += [TRANSLATED[text] for text in rules if text in TRANSLATED]
    if not TRANSLATED.keys() >= {*rules}:
        made["r4-rules"] = [name]
    if demands:
        made["allOf"] = demands
    return made


def _any_of(keys: tuple[str, ...]) -> Schema:
    return {"anyOf": [{"required": [key]} for key in keys]}


def _others(keys: list[str]) -> dict[str, list[str]]:
    """Return, for each type of a choice, the properties that may not stand beside it."""
    return {key: [form for one in keys if one != key for form in (one, "_" + one)] for key in keys if len(keys) > 1}


def _property(name: str, key: str, slot: Slot, defs: dict[str, Schema]) -> Schema | None:
    if slot.group == "value" and name in _OF_ANY_TYPE and slot.field.type not in _VALUES:
        return None
    if slot.companion:
        return {"$ref": _companion(defs)}
    one = _primitive(name, key, slot) if slot.primitive else _complex(name, key, slot, defs)
    if one is None:
        return None
    if slot.checks and any(check[1] == "error" for check in slot.checks):
        one = {**one, "r4-rules": [name, key]}
    if not slot.many:
        return one
    many: Schema = {"type": "array", "minItems": 1, "items": one}
    if slot.field.most > 1:
        many["maxItems"] = slot.field.most
    return many


def _primitive(name: str, key: str, slot: Slot) -> Schema:
    kind = slot.field.type
    if kind == "code" and slot.bound is not None:
        inner = slot.bound.members
        if inner is not None and inner.grammar is None and not inner.open:
            return {"enum": sorted(inner.codes)}
        return {"type": "string", "r4-plain": [name, key]}
    return PATTERNS.get(kind) or {"type": "string", "r4-plain": [name, key]}


def _complex(name: str, key: str, slot: Slot, defs: dict[str, Schema]) -> Schema | None:
    field = slot.field
    if field.type == "Resource":
        return {"$ref": "#/$defs/Resource"} if (name, key) == ("Bundle.entry", "resource") else None
    if field.type == "Reference":
        return {"$ref": _reference(field.targets, defs, urn="." in name or name in known_types())}
    if field.type == "Extension":
        return {"$ref": _definition("Extension", defs, nested=name == "Extension")}
    made: Schema = {"$ref": _definition(slot.inner, defs)}
    if slot.bound is not None and (slot.bound.strength == "required" or slot.bound.widest):
        made["r4-bound"] = [name, key]
    return made


def _companion(defs: dict[str, Schema]) -> str:
    defs.setdefault(
        "Element",
        {
            "type": "object",
            "properties": {
                "extension": {"type": "array", "minItems": 1, "items": {"$ref": _definition("Extension", defs)}}
            },
            "required": ["extension"],
            "additionalProperties": False,
        },
    )
    return "#/$defs/Element"


def _extension(defs: dict[str, Schema], *, nested: bool) -> Schema:
    """Return an extension's definition: its url and one thing more, a value or extensions (ext-1)."""
    properties: dict[str, Any] = {
        "url": {"type": "string", "pattern": r"^[^ \t\r\n\f\v]+$" if nested else r"^[^ \t\r\n\f\v]*:[^ \t\r\n\f\v]*$"},
        "extension": {
            "type": "array",
            "minItems": 1,
            "items": {"$ref": _definition("Extension", defs, nested=True)},
        },
    }
    for key, slot in plan("Extension").slots.items():
        if (
            slot.group == "value"
            and slot.field.type in _VALUES
            and (schema := _property("Extension", key, slot, defs)) is not None
        ):
            properties[key] = schema
    return {
        "type": "object",
        "properties": properties,
        "required": ["url"],
        "minProperties": 2,
        "maxProperties": 2,
        "additionalProperties": False,
    }


def _reference(targets: frozenset[str], defs: dict[str, Schema], *, urn: bool) -> str:
    """Return the definition of a reference to some types; a urn only where `accept` follows it in a Bundle."""
    kinds = sorted(targets & known_types()) if targets and "Resource" not in targets else sorted(known_types())
    key = "Reference-" + ("any" if len(kinds) == len(known_types()) else "-".join(kinds)) + ("-urn" if urn else "")
    if key not in defs:
        named = "|".join(kinds)
        forms = [rf"(?:{named})/{_ID}(?:/_history/[^/?#\s]+)?", rf"https?://[^?#\s]+/(?:{named})/{_ID}"]
        forms += [_UUID] if urn else []
        defs[key] = {
            "type": "object",
            "properties": {
                "reference": {"type": "string", "pattern": f"^(?:{'|'.join(forms)})$"},
                "type": {"enum": kinds},
                "identifier": {"$ref": _definition("Identifier", defs)},
                "display": PATTERNS["string"],
                "extension": {"type": "array", "minItems": 1, "items": {"$ref": _definition("Extension", defs)}},
            },
            "dependentSchemas": {"reference": {"properties": {"type": False}}},
            "minProperties": 1,
            "additionalProperties": False,
        }
    return f"#/$defs/{key}"


@cache
def ways(name: str) -> dict[str, tuple[str, frozenset[str]]]:
    """Return where references stand below a type: property -> ("", targets), or (nested element, nothing)."""
    found: dict[str, tuple[str, frozenset[str]]] = {}
    for key, slot in plan(name).slots.items():
        if slot.companion:
            continue
        if slot.field.type == "Reference":
            found[key] = ("", slot.field.targets)
        elif "." in slot.field.type:
            found[key] = (slot.field.type, frozenset())
    return found
