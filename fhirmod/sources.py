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

    @property
    def marked(self) -> str:
        """Return the citation with its mark, as a reader is shown it.

        >>> EL_AYADI_2016.marked
        'El Ayadi AM et al. PLoS One 2016;11:e0148729 (shock index 1.4) [memory]'
        """
        return f"{self.citation} [{self.how_known}]"


NATHAN_2015 = Source("NATHAN_2015", "Nathan HL et al. BJOG 2015;122:268-275 (shock index 0.9 and 1.7)", "read")
NATHAN_2016 = Source("NATHAN_2016", "Nathan HL et al. PLoS One 2016;11:e0168535 (postpartum vital signs)", "read")
EL_AYADI_2016 = Source("EL_AYADI_2016", "El Ayadi AM et al. PLoS One 2016;11:e0148729 (shock index 1.4)", "memory")
WHO_2012 = Source(
    "WHO_2012",
    "WHO recommendations for the prevention and treatment of postpartum haemorrhage (2012)",
    "reprint",
)
RCOG_GTG52 = Source("RCOG_GTG52", "RCOG Green-top Guideline 52 (2016), web summary", "reprint")
WHO_2017_TXA = Source("WHO_2017_TXA", "WHO recommendation on tranexamic acid (2017)", "memory")
AWHONN_QBL = Source("AWHONN_QBL", "ACOG Committee Opinion 794 (2019) / AWHONN quantification brief", "reprint")
RATHORE_2012 = Source("RATHORE_2012", "Rathore AM et al. 2012 (PubMed 22540529)", "read")
SUAREZ_2020 = Source("SUAREZ_2020", "Suarez S et al. 2020 (uterine balloon tamponade, pooled success 85.9 %)", "read")
PRACTICE = Source("PRACTICE", "common practice, no published source", "practice")
ARITHMETIC = Source("ARITHMETIC", "arithmetic on the recorded entries", "arithmetic")
FHIR_R4 = Source("FHIR_R4", "HL7 FHIR R4 (4.0.1)", "read")
WHO_2025 = Source(
    "WHO_2025",
    "WHO/FIGO/ICM consolidated guideline on postpartum haemorrhage (October 2025); cut-offs of the signs as in "
    "Gallos I et al. Lancet 2025",
    "memory",
)
ACOG_2017 = Source("ACOG_2017", "ACOG Practice Bulletin 183 (2017) / reVITALize definition, comparison page", "reprint")
RCOG_SECONDARY = Source(
    "RCOG_SECONDARY", "RCOG Green-top Guideline 52 (2009), web summary: secondary haemorrhage", "read"
)
CMQCC = Source("CMQCC", "CMQCC obstetric haemorrhage toolkit, comparison of PPH criteria", "reprint")
MHYRE_2014 = Source("MHYRE_2014", "Mhyre JM et al. Obstet Gynecol 2014;124:782-786 (early warning criteria)", "reprint")
SHIELDS_2016 = Source(
    "SHIELDS_2016", "Shields LE et al. Am J Obstet Gynecol 2016;214:527 (early warning triggers)", "read"
)
WHO_NEAR_MISS = Source(
    "WHO_NEAR_MISS",
    "WHO maternal near-miss criteria, reprinted table with units corrected; definitions Reprod Health 2009;6:8",
    "reprint",
)
BLOOD_DENSITY = Source("BLOOD_DENSITY", "density of blood 1.06 g/mL, handbook value", "read")
CONDOUS_2003 = Source("CONDOUS_2003", "Condous GS et al. Obstet Gynecol 2003 (tamponade test)", "memory")
GS1 = Source("GS1", "GS1 General Specifications, sections 3 and 7 (application identifiers, check digit)", "reprint")
HIBC = Source("HIBC", "ANSI/HIBC 2.6 (2016), Health Industry Supplier Labeling Standard", "reprint")
UDI_FORMATS = Source(
    "UDI_FORMATS", "FDA: UDI formats by FDA-accredited issuing agency, version 1.3 (January 2017)", "reprint"
)
ISO_8601 = Source("ISO_8601", "ISO 8601 (offsets in times)", "memory")
DWELL_USUAL = Source(
    "DWELL_USUAL",
    "common practice and memory of guidelines, 6 to 24 h; published means 27.5 to 48 h",
    "practice",
)
WHO_2021 = Source(
    "WHO_2021",
    "WHO recommendation on uterine balloon tamponade (2021): where standard care is in place; its panel, Weeks 2022: "
    "and recourse to surgery",
    "read",
)
