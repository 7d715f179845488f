"""What leaves or arrives as a whole: the case as a Bundle, the invented cases, the cautions every screen carries."""

from .case import case_bundle
from .cautions import CAUTIONS
from .demo import Case, demo_cases

__all__ = ["CAUTIONS", "Case", "case_bundle", "demo_cases"]
