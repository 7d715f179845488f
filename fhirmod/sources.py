"""The publications that numbers and rules come from: one row each, cited by name.

`how_known` says how far to trust the carry-over: read (text or table read), reprint (read on a page that
reprints the original), memory (verify before relying on it), practice (common practice, no published
source), arithmetic (computed from a stated rule).
"""

from dataclasses import dataclass
from typing import Literal

HowKnown = Literal["read", "reprint", "memory", "practice", "arithmetic"]


@dataclass(frozen=True, slots=True)
class Source:
    """A publication (or an honest statement that there is none) and how it was read."""

    key: str
    citation: str
    how_known: HowKnown


NATHAN_2015 = Source("NATHAN_2015", "Nathan HL et al. BJOG 2015;122:268-275 (shock index 0.9 and 1.7)", "read")
NATHAN_2016 = Source(
    "NATHAN_2016", "Nathan HL et al. PLoS One 2016;11:e0168535 (postpartum vital signs)", "read"
)
EL_AYADI_2016 = Source(
    "EL_AYADI_2016", "El Ayadi AM et al. PLoS One 2016;11:e0148729 (shock index 1.4)", "memory"
)
WHO_2012 = Source(
    "WHO_2012",
    "WHO recommendations for the prevention and treatment of postpartum haemorrhage (2012)",
    "reprint",
)
RCOG_GTG52 = Source("RCOG_GTG52", "RCOG Green-top Guideline 52 (2016), web summary", "reprint")
WHO_2017_TXA = Source("WHO_2017_TXA", "WHO recommendation on tranexamic acid (2017)", "memory")
AWHONN_QBL = Source("AWHONN_QBL", "ACOG Committee Opinion 794 (2019) / AWHONN quantification brief", "reprint")
RATHORE_2012 = Source("RATHORE_2012", "Rathore AM et al. 2012 (PubMed 22540529)", "read")
PRACTICE = Source("PRACTICE", "common practice, no published source", "practice")
ARITHMETIC = Source("ARITHMETIC", "arithmetic on the recorded entries", "arithmetic")
FHIR_R4 = Source("FHIR_R4", "HL7 FHIR R4 (4.0.1)", "read")
