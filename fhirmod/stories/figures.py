"""How often and how much things happen in a story: one row each, with its source, or said to be invented.

Nothing else in the project reads these numbers, and none of them is a threshold.
"""

from dataclasses import dataclass

from fhirmod import sources
from fhirmod.sources import Source

INVENTED = Source("INVENTED", "invented for the stories, no published source", "practice")


@dataclass(frozen=True, slots=True)
class Figure:
    """A number that varies: lowest, typical and highest, its unit, and where that comes from."""

    low: int
    typical: int
    high: int
    unit: str
    source: Source


@dataclass(frozen=True, slots=True)
class Chance:
    """How many times in a hundred, and where that comes from."""

    percent: int
    source: Source


FIGURES: dict[str, Figure] = {
    # the woman at rest: medians and 90 % ranges
    "pulse": Figure(61, 81, 102, "/min", sources.NATHAN_2016),
    "systolic": Figure(100, 120, 145, "mm[Hg]", sources.NATHAN_2016),
    "diastolic": Figure(58, 75, 90, "mm[Hg]", sources.NATHAN_2016),
    "age": Figure(16, 28, 44, "a", INVENTED),
    "gestation": Figure(190, 275, 293, "d", INVENTED),
    "haemoglobin-before": Figure(80, 110, 140, "0.1 g/dL", INVENTED),
    "weight": Figure(42, 66, 130, "kg", INVENTED),
    # before the balloon
    "birth-to-recognition": Figure(2, 15, 90, "min", INVENTED),
    "recognition-to-decision": Figure(5, 25, 75, "min", INVENTED),
    "loss-before": Figure(500, 1000, 2400, "mL", INVENTED),
    "txa-dose": Figure(1, 1, 1, "g", sources.WHO_2017_TXA),
    # the balloon
    "decision-to-placement": Figure(2, 8, 35, "min", INVENTED),
    "filled": Figure(150, 409, 700, "mL", sources.RATHORE_2012),  # the mean; low and high from common practice
    "minutes-to-stop": Figure(2, 6, 15, "min", sources.RATHORE_2012),  # mean 6.2; low and high from common practice
    "syringe": Figure(50, 50, 50, "mL", sources.PRACTICE),
    "retention": Figure(15, 15, 15, "mL", sources.PRACTICE),
    "dwell": Figure(6, 12, 24, "h", sources.DWELL_USUAL),
    "trial-step": Figure(50, 75, 100, "mL", sources.PRACTICE),
    "trial-watch": Figure(30, 45, 60, "min", sources.PRACTICE),
    "held-before-expulsion": Figure(10, 50, 240, "min", INVENTED),
    "journey": Figure(20, 75, 240, "min", INVENTED),
    "loss-after": Figure(20, 150, 500, "mL", INVENTED),
}

CHANCES: dict[str, Chance] = {
    "caesarean": Chance(25, INVENTED),
    "twins": Chance(3, INVENTED),
    "attempt-failed": Chance(10, INVENTED),
    "stopped-rather-than-reduced": Chance(60, INVENTED),
    "round-missed": Chance(8, INVENTED),
    "round-partial": Chance(15, INVENTED),
    "drain-lumen": Chance(45, INVENTED),
    "label-known": Chance(50, INVENTED),
    "retention-used": Chance(40, INVENTED),
    "packs": Chance(25, INVENTED),
    "txa-given": Chance(80, INVENTED),
    "txa-second": Chance(30, INVENTED),
    "transfused": Chance(45, INVENTED),
    "complication": Chance(8, INVENTED),
    "followed-up": Chance(40, INVENTED),
    "refuses-blood": Chance(2, INVENTED),
}

# How a course ends, in a thousand. The balloon holds in 859: the pooled share of an uncontrolled series of series.
# How the rest is divided is invented. It describes stories and says nothing of any woman.
COURSES: dict[str, tuple[int, Source]] = {
    "held": (560, sources.SUAREZ_2020),
    "removed-directly": (79, sources.SUAREZ_2020),
    "sent-on": (110, sources.SUAREZ_2020),
    "arrived": (60, sources.SUAREZ_2020),
    "leaked": (50, sources.SUAREZ_2020),
    "bled-in-trial": (61, INVENTED),
    "expelled": (40, INVENTED),
    "not-controlled": (35, INVENTED),
    "died": (5, INVENTED),
}
