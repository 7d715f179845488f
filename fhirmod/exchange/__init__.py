"""What leaves or arrives as a whole: the case as a Bundle, the invented cases, the cautions every screen carries."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .cautions import CAUTIONS

if TYPE_CHECKING:
    from .care_dates import CARE_DATES, UNDATED
    from .case import case_bundle
    from .checking import check_document, check_text
    from .conformance import conformance_resources, examples, fhir_package, guide_of, refused, service_resources
    from .converting import AsEntries, AsFhir, Converter, bundle_of_lines, conversion
    from .demo import Case, PartnerCase, demo_cases, partner_cases
    from .documents import document_bundle
    from .gathering import Item, Place, Wanted, everything
    from .published import (
        PACKED_RESOURCES,
        PUBLISHED_TYPES,
        packed_resources,
        published_resources,
        published_store,
        unpacked_resources,
    )
    from .terms import held_terms
    from .typed import from_typed, to_typed

__all__ = [
    "CARE_DATES",
    "CAUTIONS",
    "PACKED_RESOURCES",
    "PUBLISHED_TYPES",
    "UNDATED",
    "AsEntries",
    "AsFhir",
    "Case",
    "Converter",
    "Item",
    "PartnerCase",
    "Place",
    "Wanted",
    "bundle_of_lines",
    "case_bundle",
    "check_document",
    "check_text",
    "conformance_resources",
    "conversion",
    "demo_cases",
    "document_bundle",
    "everything",
    "examples",
    "fhir_package",
    "from_typed",
    "guide_of",
    "held_terms",
    "packed_resources",
    "partner_cases",
    "published_resources",
    "published_store",
    "refused",
    "service_resources",
    "to_typed",
    "unpacked_resources",
]
_ROOMS = {
    "case": ("case_bundle",),
    "checking": ("check_document", "check_text"),
    "conformance": (
        "conformance_resources",
        "examples",
        "fhir_package",
        "guide_of",
        "refused",
        "service_resources",
    ),
    "converting": ("AsEntries", "AsFhir", "Converter", "bundle_of_lines", "conversion"),
    "care_dates": ("CARE_DATES", "UNDATED"),
    "demo": ("Case", "PartnerCase", "demo_cases", "partner_cases"),
    "documents": ("document_bundle",),
    "gathering": ("Item", "Place", "Wanted", "everything"),
    "published": (
        "PACKED_RESOURCES",
        "PUBLISHED_TYPES",
        "packed_resources",
        "published_resources",
        "published_store",
        "unpacked_resources",
    ),
    "terms": ("held_terms",),
    "typed": ("from_typed", "to_typed"),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    """Return what stands in `__all__` when first asked for: a command that shows a file of entries opens no store."""
    if name not in _ROOM_OF:
        raise AttributeError(name)
    return getattr(import_module(f"{__name__}.{_ROOM_OF[name]}"), name)
