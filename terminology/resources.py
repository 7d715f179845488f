"""The table as FHIR R4 resources: our CodeSystem, a ValueSet per question, a ConceptMap per other system.

What is here is generated on call and never stored by hand; every resource is a new dict the caller may keep.
"""

from collections.abc import Iterable
from typing import Any

from .concept import Coding, Concept, Relation
from .lookup import concept, keys, words
from .publisher import publication
from .systems import CANONICAL, COPYRIGHT, OWN_SYSTEM, SYSTEMS, VERSION
from .table import table

EVERYTHING = f"{CANONICAL}/ValueSet/tamponade"

# The word says how their meaning stands to ours: http://hl7.org/fhir/R4/valueset-concept-map-equivalence.html
_EQUIVALENCE: dict[Relation, str] = {
    "same": "equivalent",
    "broader": "wider",
    "narrower": "narrower",
    "neighbour": "relatedto",
}
_STATE = "Generated from the table of bindings; not yet checked by a licence holder of the terminologies."
_COMMENT: dict[Relation, str] = {
    "broader": "Written beside our code, never read as this concept.",
    "narrower": "Read as this concept, never written for it: it says more than was recorded.",
    "neighbour": "Near in meaning; neither written nor read.",
}


def code_system() -> dict[str, Any]:
    """Return the CodeSystem of our own codes, in the table's order.

    Shape: property `key` is the place in the record that the code names, `unit` its UCUM unit.
    """
    listed = _own_concepts()
    return {
        "resourceType": "CodeSystem",
        "id": "tamponade",
        "url": OWN_SYSTEM,
        **_header("Tamponade", "Uterine balloon tamponade: acts, questions and answers", ("own",)),
        "caseSensitive": True,
        "valueSet": EVERYTHING,
        "compositional": False,
        "versionNeeded": False,
        "content": "complete",
        "count": len(listed),
        "property": [
            {"code": "key", "description": "Where in the record this stands", "type": "string"},
            {"code": "unit", "description": "Its unit in UCUM", "type": "string"},
        ],
        "concept": [_concept_of_system(each) for each in listed],
    }


def value_sets() -> list[dict[str, Any]]:
    """Return the ValueSet of all our codes, then one for each question with answers, under its own code.

    Shape: an answer's own code and the codes of the same meaning; a shared question has one ValueSet.
    """
    everything = {
        **_value_set("tamponade", "Tamponade", "Every code of the uterine balloon tamponade record", ("own",)),
        "compose": {"include": [{"system": OWN_SYSTEM}]},
    }
    return [everything, *(_answers(question) for question in _questions())]


def concept_maps() -> list[dict[str, Any]]:
    """Return one ConceptMap for each other code system, from our codes to theirs."""
    return [_concept_map(name) for name in SYSTEMS if name not in ("own", "ucum") and _pairs(name)]


def value_set_url(question: str) -> str:
    """Return the address of the ValueSet that holds a question's answers."""
    return f"{CANONICAL}/ValueSet/{concept(question).code}"


def _own_concepts() -> list[Concept]:
    home = table().home
    return [concept(key) for key in keys() if home[key] == key]


def _questions() -> list[str]:
    return [each.key for each in _own_concepts() if "." in each.key and words(each.key)]


def _concept_of_system(each: Concept) -> dict[str, Any]:
    properties = [{"code": "key", "valueString": each.key}]
    if each.unit is not None:
        properties.append({"code": "unit", "valueString": each.unit})
    return {"code": each.code, "display": each.display, "property": properties}


def _answers(question: str) -> dict[str, Any]:
    asked = concept(question)
    includes: dict[str, dict[str, str]] = {}
    for word in words(question):
        for coding in concept(word).codings:
            if coding.relation in ("own", "same"):
                includes.setdefault(coding.system, {})[coding.code] = coding.display
    names = tuple(name for name, url in SYSTEMS.items() if url in includes)
    name = "".join(part.capitalize() for part in asked.code.split("-"))
    return {
        **_value_set(asked.code, name, f"Answers: {asked.display}", names),
        "compose": {
            "include": [
                {"system": system, "concept": [{"code": c, "display": d} for c, d in listed.items()]}
                for system, listed in includes.items()
            ]
        },
    }


def _value_set(own_id: str, name: str, title: str, names: Iterable[str]) -> dict[str, Any]:
    return {
        "resourceType": "ValueSet",
        "id": own_id,
        "url": f"{CANONICAL}/ValueSet/{own_id}",
        **_header(name, title, names),
    }


def _pairs(name: str) -> list[tuple[Concept, Coding]]:
    system = SYSTEMS[name]
    return [(each, coding) for each in _own_concepts() for coding in each.codings if coding.system == system]


def _concept_map(name: str) -> dict[str, Any]:
    elements: dict[str, dict[str, Any]] = {}
    for each, coding in _pairs(name):
        target = {
            "code": coding.code,
            "display": coding.display,
            "equivalence": _EQUIVALENCE[coding.relation],
        }
        if coding.relation in _COMMENT:
            target["comment"] = _COMMENT[coding.relation]
        element = elements.setdefault(each.code, {"code": each.code, "display": each.display, "target": []})
        element["target"].append(target)
    title = f"From the tamponade record to {SYSTEMS[name]}"
    return {
        "resourceType": "ConceptMap",
        "id": f"tamponade-to-{name}",
        "url": f"{CANONICAL}/ConceptMap/tamponade-to-{name}",
        **_header("TamponadeTo" + "".join(part.capitalize() for part in name.split("-")), title, ("own", name)),
        "sourceUri": EVERYTHING,
        "group": [{"source": OWN_SYSTEM, "target": SYSTEMS[name], "element": list(elements.values())}],
    }


def _header(name: str, title: str, names: Iterable[str]) -> dict[str, Any]:
    return {
        "version": VERSION,
        "name": name,
        "title": title,
        "status": "draft",
        "experimental": False,
        **publication(),
        "description": f"{title}. {_STATE}",
        "copyright": " ".join(COPYRIGHT[name] for name in names if name in COPYRIGHT),
    }
