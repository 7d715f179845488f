"""Regenerates the facts file from the R4 definitions beside it: `python -m fhirmod.r4.build [--check]`.

`definitions/*.json.xz` are HL7's R4 definitions slimmed to facts, displays of its own systems only (CC0-1.0);
`definitions/facts.json.gz` is what run time reads: elements, bindings, expanded value sets, search
parameters, compartments, operations. No prose is kept.
"""

import gzip
import json
import sys
from collections.abc import Iterator
from typing import Any

from .expansion import Expander
from .inputs import DEFINITIONS, read_input

FORMAT = 1
EDITION = "4.0.1"
FACTS = DEFINITIONS / "facts.json.gz"
FHIR = "http://hl7.org/fhir/StructureDefinition/"
SYSTEM = "http://hl7.org/fhirpath/System."
EXAMPLE = "http://hl7.org/fhir/SearchParameter/example"  # HL7's illustrations begin so: a second _id, a second subject
INHERITED = ("ele-1", "ext-1")  # carried by Element and Extension themselves

Json = dict[str, Any]


def facts() -> Json:
    """Return everything run time needs, in a stable order."""
    structures = read_input("structure-definitions")
    elements: dict[str, Json] = {}
    types: dict[str, Json] = {}
    profiles: dict[str, Json] = {}
    datatype_profiles: dict[str, list[Any]] = {}
    for definition in structures:
        name = definition["type"]
        if definition.get("derivation") == "constraint":
            if definition["kind"] == "resource":
                profiles[definition["url"]] = _profile(definition)
            else:
                datatype_profiles[definition["name"]] = _own(definition["snapshot"]["element"][0])
            continue
        types[name] = {
            "kind": definition["kind"],
            "base": definition.get("baseDefinition", "").removeprefix(FHIR),
            "abstract": definition["abstract"],
        }
        if definition["kind"] != "primitive-type":
            elements.update(_shapes(definition))
    expander = Expander(read_input("value-sets"), read_input("code-systems"))
    return {
        "format": FORMAT,
        "edition": EDITION,
        "types": types,
        "shapes": elements,
        "profiles": profiles,
        "datatype_profiles": datatype_profiles,
        "systems": expander.complete_systems(),
        "values": expander.expand_all(sorted(_bound(elements, profiles))),
        "known_types": sorted(expander.codes_of("http://hl7.org/fhir/resource-types")),
        "search": searches(read_input("search-parameters")),
        "compartments": {
            one["code"]: {r["code"]: r["param"] for r in one["resource"] if r.get("param")}
            for one in read_input("compartments")
        },
        "operations": read_input("operations"),
    }


def _shapes(definition: Json) -> Iterator[tuple[str, Json]]:
    shapes: dict[str, Json] = {}
    for element in definition["snapshot"]["element"]:
        path = element["path"]
        parent, _, name = path.rpartition(".")
        own = _own(element, definition["url"])
        if not parent:
            if definition["type"] in ("Element", "Extension"):
                own = [[c["key"], c["severity"], c["expression"]] for c in element.get("constraint", [])]
                own = [c for c in own if c[0] == ("ele-1" if definition["type"] == "Element" else "ext-1")]
            shapes[path] = {"elements": [], "invariants": own, **_binding(element)}
            continue
        kinds = element.get("type", [])
        if [t["code"] for t in kinds] in (["BackboneElement"], ["Element"]) and not name.endswith("[x]"):
            shapes[path] = {"elements": [], "invariants": own}
            entry = _element(element, name, [])
            entry["shape"] = path
        else:
            entry = _element(element, name, own)
        shapes[parent]["elements"].append(entry)
    yield from shapes.items()


def _own(element: Json, source: str = "") -> list[Any]:
    return [
        [c["key"], c["severity"], c["expression"]]
        for c in element.get("constraint", [])
        if c["key"] not in INHERITED and (not source or c.get("source", source) == source)
    ]


def _element(element: Json, name: str, own: list[Any]) -> Json:
    found: Json = {"name": name}
    if element["min"]:
        found["min"] = element["min"]
    if element["max"] != "1":
        found["max"] = 0 if element["max"] == "*" else int(element["max"])
    if "contentReference" in element:
        found["shape"] = element["contentReference"].removeprefix("#")
    types, targets, profiles = [], [], {}
    for kind in element.get("type", []):
        code = _type_code(kind, element)
        types.append(code)
        targets += [t.removeprefix(FHIR) for t in kind.get("targetProfile", [])]
        for profile in kind.get("profile", []):
            profiles[code] = profile.removeprefix(FHIR)
    if types and "shape" not in found:
        found["types"] = types
    if targets and "Resource" not in targets:
        found["targets"] = sorted(set(targets))
    if profiles:
        found["profiles"] = profiles
    if own:
        found["invariants"] = own
    found.update(_binding(element))
    for flag, key in (("isSummary", "summary"), ("isModifier", "modifier")):
        if element.get(flag):
            found[key] = 1
    return found


def _type_code(kind: Json, element: Json) -> str:
    code: str = kind["code"]
    if not code.startswith(SYSTEM):
        return code
    if element["path"].endswith(".id") and element["base"]["path"] == "Resource.id":
        return "id"
    return "uri" if element["path"].endswith("Extension.url") else "string"


def _binding(element: Json) -> Json:
    binding = element.get("binding", {})
    strength = binding.get("strength")
    widest = binding.get("maxValueSet", "").split("|")[0]
    if strength not in ("required", "extensible", "preferred") or not (binding.get("valueSet") or widest):
        return {}
    return {"binding": [strength, binding.get("valueSet", "").split("|")[0], *([widest] if widest else [])]}


def _profile(definition: Json) -> Json:
    """Keep a profile as a StructureDefinition, less what its elements repeat of the base type."""
    kept = ("id", "path", "sliceName", "min", "max", "base", "slicing", "binding", "type")
    elements = []
    for element in definition["snapshot"]["element"]:
        one = {k: v for k, v in element.items() if k in kept or k.startswith(("fixed", "pattern"))}
        one["type"] = [
            {k: v for k, v in kind.items() if k in ("code", "profile", "targetProfile")}
            for kind in element.get("type", ())
        ]
        rules = [c for c in element.get("constraint", ()) if c["key"].startswith("vs-")]
        elements.append({**one, "constraint": rules} if rules else one)
    return {"url": definition["url"], "type": definition["type"], "snapshot": {"element": elements}}


def _bound(shapes: dict[str, Json], profiles: dict[str, Json]) -> set[str]:
    bindings = [e["binding"] for s in shapes.values() for e in s["elements"] if "binding" in e]
    bindings += [s["binding"] for s in shapes.values() if "binding" in s]
    for one in profiles.values():
        bindings += [found["binding"] for e in one["snapshot"]["element"] if (found := _binding(e))]
    return {url for b in bindings for url in b[1:] if url and b[0] != "preferred"} | {
        url for b in bindings for url in b[2:]
    }


def searches(parameters: list[Json]) -> list[Json]:
    """Return the search parameters that run time reads: HL7's examples left out, each code once for a type.

    Errors: ValueError where two parameters have one code for one type; neither may hide the other.
    """
    kept = [_search(one) for one in parameters if not one["url"].startswith(EXAMPLE)]
    known: dict[tuple[str, str], str] = {}
    for one in kept:
        for base in one["base"]:
            if first := known.get((base, one["code"])):
                raise ValueError(f"{base}: {first} and {one['url']} are both {one['code']}; one code is one parameter")
            known[base, one["code"]] = one["url"]
    return kept


def _search(one: Json) -> Json:
    kept: Json = {k: one[k] for k in ("code", "type", "base", "url") if k in one}
    for key in ("expression", "target", "component", "modifier", "comparator", "multipleOr", "chain"):
        if one.get(key):
            kept[key] = one[key]
    return kept


def rendered() -> bytes:
    """Return the facts as the bytes that are compressed: sorted keys, no white space."""
    return json.dumps(facts(), sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()


def main(arguments: list[str]) -> int:
    """Return 0 when the facts file is written, or with `--check` when it is what the input gives."""
    fresh = rendered()
    if "--check" in arguments:
        same = FACTS.exists() and gzip.decompress(FACTS.read_bytes()) == fresh
        print(f"{FACTS.name}: {'as generated' if same else 'differs; run python -m fhirmod.r4.build'}")  # noqa: T201
        return 0 if same else 1
    FACTS.write_bytes(gzip.compress(fresh, 9, mtime=0))
    print(f"{FACTS.name}: {len(fresh)} bytes, {FACTS.stat().st_size} compressed")  # noqa: T201
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
