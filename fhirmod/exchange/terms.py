"""The value sets, code systems and maps at hand: ours as published, and those of R4 that its definitions hold."""

from functools import cache

from fhirmod.r4 import Terms, r4_terminology

from .published import published_resources


@cache
def held_terms() -> Terms:
    """Return them, read once when first asked for."""
    ours = [one for one in published_resources() if one["resourceType"] in ("ValueSet", "CodeSystem", "ConceptMap")]
    return Terms([*r4_terminology(), *ours])
