"""Consent and refusal, as Consent: a refusal is `rejected` and denies, for readers who know none of our details."""

from typing import Any

from fhirmod.episode import Consent
from fhirmod.mapping.table import Code, Part, Rows, Table

_details = Rows("consent").details("answer", "scope", "refused_products")


def _rejected(target: dict[str, Any], entry: Consent, root: str) -> None:
    """Say in R4's own elements that consent was refused: as an active Consent it would read as given."""
    if entry.answer == "refused":
        target["provision"]["type"] = "deny"
        if target["status"] == "active":
            target["status"] = "rejected"


TABLES = (
    Table(
        "consent",
        (Part("consent", "Consent", (Code("consent"),), _details, profiles=("consent",), finish=_rejected),),
    ),
)
