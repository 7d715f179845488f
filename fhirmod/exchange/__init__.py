"""What leaves or arrives as a whole: the case as a Bundle, the invented cases, the cautions every screen carries."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from .cautions import CAUTIONS

if TYPE_CHECKING:
    from .case import case_bundle
    from .checking import check_document, check_text
    from .converting import AsEntries, AsFhir, Converter, bundle_of_lines, conversion
    from .demo import Case, PartnerCase, demo_cases, partner_cases
    from .typed import from_typed, to_typed

__all__ = [
    "CAUTIONS",
    "AsEntries",
    "AsFhir",
    "Case",
    "Converter",
    "PartnerCase",
    "bundle_of_lines",
    "case_bundle",
    "check_document",
    "check_text",
    "conversion",
    "demo_cases",
    "from_typed",
    "partner_cases",
    "to_typed",
]
_ROOMS = {
    "case": ("case_bundle",),
    "checking": ("check_document", "check_text"),
    "converting": ("AsEntries", "AsFhir", "Converter", "bundle_of_lines", "conversion"),
    "demo": ("Case", "PartnerCase", "demo_cases", "partner_cases"),
    "typed": ("from_typed", "to_typed"),
}
_ROOM_OF = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    """Return what stands in `__all__` when first asked for: a command that shows a file of entries opens no store."""
    if name not in _ROOM_OF:
        raise AttributeError(name)
    return getattr(import_module(f"{__name__}.{_ROOM_OF[name]}"), name)
