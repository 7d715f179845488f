"""Tranexamic acid: whether and when each dose was given, against the windows the protocol cites."""

from dataclasses import dataclass
from decimal import Decimal
from functools import partial

from fhirmod.episode import Medication, Threshold

from .timings import last_birth, txa_doses
from .verdict import Verdict, over_range, verdict
from .view import View
from .when import Interval, between
from .why import Why


@dataclass(frozen=True, slots=True)
class Txa:
    """Both doses.

    Units:  min.
    Shape: `first` and `second` are given | not-recorded | not-done (recorded as not given); `first_window`
           and `second_window` are within | early | late, or why there is no verdict.
    """

    first: str
    second: str
    doses: int
    birth_to_first: Interval
    first_to_second: Interval
    first_window: Verdict
    second_window: Verdict


def txa(view: View) -> Txa:
    """Return what is recorded of tranexamic acid.

    Units:  min.
    Errors: none.
    Source: sources.WHO_2017_TXA.
    """
    doses = txa_doses(view)
    refused = any(one.drug == "tranexamic-acid" and not one.given for one in view.all(Medication))
    missing = Why.NOT_DONE if refused else Why.NOT_RECORDED
    first, second = (*doses, None, None)[:2]
    since_birth = between("birth-to-txa-1", ("last-birth", last_birth(view)), ("txa-1", first))
    apart = between("txa-1-to-txa-2", ("txa-1", first), ("txa-2", second))
    of = view.protocol.of
    latest, soonest, until = of("txa.first_within_min"), of("txa.second_from_min"), of("txa.second_until_min")
    return Txa(
        first="given" if first else missing,
        second="given" if second else (missing if first or not refused else Why.NOT_DONE),
        doses=len(doses),
        birth_to_first=since_birth,
        first_to_second=apart,
        first_window=verdict(over_range(since_birth, partial(_word, None, latest)), latest),
        second_window=verdict(over_range(apart, partial(_word, soonest, until)), soonest, until),
    )


def _word(low: Threshold | None, high: Threshold, span_min: Decimal) -> str:
    if span_min < (low.value if low is not None else 0):
        return "early"
    return "late" if span_min > high.value else "within"
