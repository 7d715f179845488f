"""What partners hold us to, as FHIR: our conformance resources, examples, and the package that carries both."""

from typing import Any

from fhirmod.mapping.profiles import definitions, profile_value_sets
from terminology import code_system, concept_maps, value_sets

from .archive import archive
from .examples import examples
from .guide import guide as guide_of
from .guide import manifest
from .naming import naming_systems
from .operations import operation_definitions
from .refused import REFUSED, Refused, refused
from .requirements import requirements
from .searching import own_search_parameters

__all__ = [
    "REFUSED",
    "Refused",
    "conformance_resources",
    "examples",
    "fhir_package",
    "guide_of",
    "refused",
    "service_resources",
]


def conformance_resources() -> list[dict[str, Any]]:
    """Return every conformance resource of ours but the guide."""
    terms = (code_system(), *value_sets(), *profile_value_sets(), *concept_maps())
    return [*definitions(), *terms, *service_resources()]


def service_resources() -> list[dict[str, Any]]:
    """Return what is neither profile nor terminology: identifiers, operations, searches, requirements."""
    return [*naming_systems(), *operation_definitions(), *own_search_parameters(), requirements()]


def fhir_package() -> bytes:
    """Return the FHIR package, the same bytes each time."""
    resources, shown = conformance_resources(), examples()
    return archive(manifest(), [guide_of(resources, shown), *resources], shown.values())
