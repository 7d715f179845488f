"""The ImplementationGuide resource: what the package holds, in groups."""

from collections.abc import Iterable, Mapping
from typing import Any

from terminology import VERSION

from .header import headed

PACKAGE = "fhirmod.tamponade"
TITLE = "Record of uterine balloon tamponade"
DESCRIBED = (
    "The record of a uterine balloon tamponade as HL7 FHIR R4: its profiles, extensions, terminology and identifiers, "
    "with examples. It is for recording and exchange only and never advises."
)
_GROUPS = {
    "StructureDefinition": "Profiles and extensions",
    "ValueSet": "Terminology",
    "CodeSystem": "Terminology",
    "ConceptMap": "Terminology",
    "NamingSystem": "Identifiers",
    "CapabilityStatement": "Service",
    "OperationDefinition": "Service",
    "SearchParameter": "Service",
}


def guide(resources: Iterable[Mapping[str, Any]], examples: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the ImplementationGuide of these resources and examples (by the canonical of their profile)."""
    groups = {name: "".join(word.capitalize() for word in name.split()) for name in dict.fromkeys(_GROUPS.values())}
    listed = [
        {
            "reference": {"reference": f"{one['resourceType']}/{one['id']}"},
            "name": one.get("title", one["name"]),
            "exampleBoolean": False,
            "groupingId": groups[_GROUPS[one["resourceType"]]],
        }
        for one in resources
    ]
    shown = [
        {
            "reference": {"reference": f"{one['resourceType']}/{one['id']}"},
            "name": f"Example of {url.rpartition('/')[2]}",
            "exampleCanonical": url,
            "groupingId": "Examples",
        }
        for url, one in examples.items()
    ]
    groups["Examples"] = "Examples"
    return {
        **headed("ImplementationGuide", PACKAGE, TITLE, DESCRIBED),
        "name": "Tamponade",
        "packageId": PACKAGE,
        "license": "Apache-2.0",
        "fhirVersion": ["4.0.1"],
        "definition": {
            "grouping": [{"id": id_, "name": name} for name, id_ in groups.items()],
            "resource": [*listed, *shown],
        },
    }


def manifest() -> dict[str, Any]:
    """Return the package's `package.json`."""
    made = headed("ImplementationGuide", PACKAGE, TITLE, DESCRIBED)
    return {
        "name": PACKAGE,
        "version": VERSION,
        "type": "fhir.ig",
        "title": TITLE,
        "description": DESCRIBED,
        "fhirVersions": ["4.0.1"],
        "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
        "canonical": made["url"].rpartition("/ImplementationGuide/")[0],
        "url": made["url"],
        "author": made["publisher"],
        "license": "Apache-2.0",
        "jurisdiction": "http://unstats.un.org/unsd/methods/m49/m49.htm#001",
    }
