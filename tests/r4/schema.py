"""A JSON Schema of R4's structure, read from the raw definitions apart from the engine: a second opinion.

It knows properties, lists, required elements, JSON types and the primitives' own regular expressions; it
cannot say that a choice has one type, that a null stands beside an extension, or anything across elements.
"""

from functools import cache
from typing import Any

import jsonschema

from fhirmod.r4.inputs import read_input

FHIRPATH = "http://hl7.org/fhirpath/System."
REGEX = "http://hl7.org/fhir/StructureDefinition/regex"
NUMBERS = {"integer": "integer", "positiveInt": "integer", "unsignedInt": "integer", "decimal": "number"}

Json = dict[str, Any]


@cache
def validator() -> Any:
    """Return a compiled pure-Python validator of any carried resource."""
    definitions: Json = {}
    resources = []
    for one in read_input("structure-definitions"):
        if one.get("derivation") == "constraint":
            continue
        if one["kind"] == "primitive-type":
            definitions[one["type"]] = _primitive(one)
        else:
            definitions.update(_types(one))
            if one["kind"] == "resource" and not one["abstract"]:
                resources.append(one["type"])
    definitions["Resource"] = _switch(resources)
    schema = {"$ref": "#/definitions/Resource", "definitions": definitions}
    return jsonschema.Draft7Validator(schema)


def _switch(resources: list[str]) -> Json:
    named: Json = {
        "type": "object",
        "required": ["resourceType"],
        "properties": {"resourceType": {"enum": resources}},
    }
    cases = [
        {
            "if": {"properties": {"resourceType": {"const": name}}, "required": ["resourceType"]},
            "then": {"$ref": f"#/definitions/{name}"},
        }
        for name in resources
    ]
    return {"allOf": [named, *cases]}


def _primitive(definition: Json) -> Json:
    name = definition["type"]
    if name == "boolean":
        return {"type": "boolean"}
    if name in NUMBERS:
        low = {"positiveInt": 1, "unsignedInt": 0, "integer": -(2**31)}.get(name)
        found: Json = {"type": NUMBERS[name]}
        return found if low is None else {**found, "minimum": low, "maximum": 2**31 - 1}
    value = next(e for e in definition["snapshot"]["element"] if e["path"].endswith(".value"))
    patterns = [x["valueString"] for t in value["type"] for x in t.get("extension", ()) if x["url"] == REGEX]
    found = {"type": "string", "minLength": 1}
    return {**found, "pattern": rf"^(?:{patterns[0]})\Z"} if patterns else found


def _types(definition: Json) -> Json:
    found: Json = {}
    for element in definition["snapshot"]["element"]:
        parent, _, name = element["path"].rpartition(".")
        if not parent:
            found[name] = {
                "type": "object",
                "minProperties": 1,
                "additionalProperties": False,
                "properties": {},
            }
            found[name]["allOf"] = []
            if definition["kind"] == "resource":
                found[name]["properties"]["resourceType"] = {"type": "string"}
            continue
        codes = [t["code"] for t in element.get("type", ())]
        if codes in (["BackboneElement"], ["Element"]):
            path = element["path"]
            found[path] = {
                "type": "object",
                "minProperties": 1,
                "additionalProperties": False,
                "properties": {},
            }
            found[path]["allOf"] = []
            codes = [path]
        elif "contentReference" in element:
            codes = [element["contentReference"].removeprefix("#")]
        keys = _properties(found[parent]["properties"], element, name, codes)
        if element["min"]:
            found[parent]["allOf"].append({"anyOf": [{"required": [key]} for key in keys]})
    return found


def _properties(properties: Json, element: Json, name: str, codes: list[str]) -> list[str]:
    keys = []
    for code in codes:
        kind = _system(code, element)
        key = name.replace("[x]", kind[0].upper() + kind[1:])
        primitive = kind[0].islower()
        one: Json = {"$ref": f"#/definitions/{kind}"}
        beside: Json = {"$ref": "#/definitions/Element"}
        if element["max"] != "1":
            item = {"anyOf": [one, {"type": "null"}]} if primitive else one
            one = {"type": "array", "minItems": 1, "items": item}
            beside = {"type": "array", "minItems": 1, "items": {"anyOf": [beside, {"type": "null"}]}}
        properties[key] = one
        keys.append(key)
        if primitive and (name != "id" or element["base"]["path"] == "Resource.id"):
            properties["_" + key] = beside
            keys.append("_" + key)
    return keys


def _system(code: str, element: Json) -> str:
    if not code.startswith(FHIRPATH):
        return code
    if element["base"]["path"] == "Resource.id":
        return "id"
    return "uri" if element["path"].endswith("Extension.url") else "string"
