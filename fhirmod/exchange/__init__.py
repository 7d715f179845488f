"""What leaves or arrives as a whole: the case as a Bundle, the invented cases, the cautions every screen carries."""

from .case import case_bundle
from .cautions import CAUTIONS
from .checking import check_document, check_text
from .demo import Case, PartnerCase, demo_cases, partner_cases

__all__ = [
    "CAUTIONS",
    "Case",
    "PartnerCase",
    "case_bundle",
    "check_document",
    "check_text",
    "demo_cases",
    "partner_cases",
]
