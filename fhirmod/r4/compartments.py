"""Compartments: which search parameters tie a resource to a patient, encounter, device or practitioner.

Source: http://hl7.org/fhir/R4/compartmentdefinition.html
"""

from typing import Any

from .facts import facts
from .indexed import ReferenceValue
from .search import search_values


def compartments() -> frozenset[str]:
    """Return the types that have a compartment here."""
    return frozenset(facts()["compartments"])


def compartment_parameters(compartment: str, resource: str) -> tuple[str, ...]:
    """Return the search parameters that put a type into a compartment; empty if none does.

    Errors: KeyError if R4 facts have no such compartment.
    """
    return tuple(facts()["compartments"][compartment].get(resource, ()))


def compartment_members(resource: dict[str, Any], compartment: str) -> list[str]:
    """Return the references (`Patient/p1`) of the compartments of one kind that a resource belongs to."""
    kind = str(resource.get("resourceType", ""))
    found: dict[str, None] = {}
    if kind == compartment and isinstance(resource.get("id"), str):
        found[f"{kind}/{resource['id']}"] = None
    for code in compartment_parameters(compartment, kind):
        if code.startswith("{"):  # the definition's own mark for the resource itself
            continue
        for value in search_values(resource, code):
            if isinstance(value, ReferenceValue) and value.type == compartment and value.reference:
                found[value.reference] = None
    return list(found)
