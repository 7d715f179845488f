"""Who publishes what is generated, since when and for where: the same words on every conformance resource of ours."""

from typing import Any

from .systems import CANONICAL

PUBLISHER = "The fhirmod contributors"
PUBLISHED = "2026-11-25"
_COUNTRIES = "http://unstats.un.org/unsd/methods/m49/m49.htm"


def publication() -> dict[str, Any]:
    """Return date, publisher, contact and jurisdiction (the world), as every conformance resource of R4 has them."""
    return {
        "date": PUBLISHED,
        "publisher": PUBLISHER,
        "contact": [{"name": PUBLISHER, "telecom": [{"system": "url", "value": CANONICAL}]}],
        "jurisdiction": [{"coding": [{"system": _COUNTRIES, "code": "001", "display": "World"}]}],
    }
