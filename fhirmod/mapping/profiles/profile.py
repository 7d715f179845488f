"""One profile or extension that we author: what it asks, and the StructureDefinition that says so."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from fhirmod.mapping.demand import Demand
from fhirmod.mapping.urls import BASE, profile
from fhirmod.r4 import snapshot, wanted
from terminology import VERSION, publication

_TYPE = "http://hl7.org/fhir/StructureDefinition/"
_MODIFIES = "As R4 says of this element, it may change how what it stands in is understood."

Json = dict[str, Any]
Find = Callable[[str], Mapping[str, Any] | None]


@dataclass(frozen=True)
class Authored:
    """A profile of ours before it is a StructureDefinition.

    Shape: `codes` are the concepts its code may be; `contexts` the elements an extension may stand on.
    """

    name: str
    type: str
    demands: tuple[Demand, ...]
    described: str
    codes: tuple[str, ...] = ()
    contexts: tuple[str, ...] = ()


def codes_url(name: str) -> str:
    """Return the canonical of the value set of a profile's codes."""
    return f"{BASE}/ValueSet/codes-of-{name}"


def definition(authored: Authored, find: Find) -> Json:
    """Return the StructureDefinition, with differential (in the order of the snapshot) and snapshot.

    Shape: `find` leads from a canonical to a definition with a snapshot.
    """
    changes = [one.element(authored.type) for one in _summed(authored.demands)]
    if not any(one["id"] == authored.type for one in changes):
        changes.insert(0, {"id": authored.type, "path": authored.type, "short": authored.described})
    made = _head(authored)
    elements = [_whole(one) for one in snapshot({**made, "differential": {"element": changes}}, find)]
    order = {one["id"]: number for number, one in enumerate(elements)}
    changes.sort(key=lambda one: order[one["id"]])
    return {**made, "snapshot": {"element": elements}, "differential": {"element": changes}}


def _summed(demands: tuple[Demand, ...]) -> Iterator[Demand]:
    """Return the demands, a sliced element asking at least for what its slices ask together."""
    for one in demands:
        slices = (other for other in demands if re.fullmatch(re.escape(one.path) + ":[^.:]+", other.path))
        together = sum(other.least or 0 for other in slices)
        yield replace(one, least=together) if one.told_by and together > (one.least or 0) else one


def _whole(element: Json) -> Json:
    """Return a snapshot element with the prose that R4 asks of it; the engine's facts carry none (sdf-3)."""
    base = element["base"]["path"]
    said = element.get("short") or f"As R4 defines {base}."
    rules = [
        {**one, "human": f"Wanted: {wanted(one['key'], one['expression'])}."} for one in element.get("constraint", ())
    ]
    made = {**element, "short": element.get("short", base), "definition": element.get("definition", said)}
    if made.get("isModifier"):
        made["isModifierReason"] = _MODIFIES
    if "maxValueSet" in made.get("binding", {}):
        widest = {"url": _TYPE + "elementdefinition-maxValueSet", "valueCanonical": made["binding"]["maxValueSet"]}
        kept = {key: value for key, value in made["binding"].items() if key != "maxValueSet"}
        made["binding"] = {**kept, "extension": [widest]}
    if "binding" in made and "valueSet" not in made["binding"]:
        made["binding"] = {**made["binding"], "description": "Codes as R4 describes them for this element."}
    return {**made, "constraint": rules} if rules else made


def _head(authored: Authored) -> Json:
    words = authored.name.replace("-", " ")
    made: Json = {
        "resourceType": "StructureDefinition",
        "id": authored.name,
        "url": profile(authored.name),
        "version": VERSION,
        "name": "".join(part.capitalize() for part in authored.name.split("-")),
        "title": words[:1].upper() + words[1:],
        "status": "draft",
        "experimental": False,
        **publication(),
        "description": authored.described,
        "fhirVersion": "4.0.1",
        "kind": "complex-type" if authored.type == "Extension" else "resource",
        "abstract": False,
    }
    if authored.contexts:
        made["context"] = [{"type": "element", "expression": one} for one in authored.contexts]
    return made | {"type": authored.type, "baseDefinition": _TYPE + authored.type, "derivation": "constraint"}
