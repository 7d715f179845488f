"""The WHO near-miss items: each met, not met or not assessable; for survivors only."""

from bisect import bisect_right
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import accumulate

from fhirmod import sources
from fhirmod.episode import Complication, Fluid, Laboratory, Outcome, Surgery, Threshold, Transfusion, Urine, VitalSigns

from .classes import unrecordable
from .collected import collected
from .resuscitation import RED_CELLS, units_of
from .urine import longest_covered, low_stretches, periods
from .view import View
from .when import when
from .why import Why, number

VERSION = "WHO near-miss criteria; unconscious >= 12 h"


def _at(name: str, value: str, unit: str) -> Threshold:
    return Threshold(f"near-miss.{name}", Decimal(value), unit, sources.WHO_NEAR_MISS)


SHOCK_SYSTOLIC = _at("shock-systolic-below", "90", "mm[Hg]")
SHOCK_PULSE = _at("shock-pulse-at-least", "120", "/min")
SHOCK_FLUID = _at("shock-fluid-above", "2000", "mL")
SUSTAINED = _at("sustained", "60", "min")
BREATHS_ABOVE = _at("respiratory-rate-above", "40", "/min")
BREATHS_BELOW = _at("respiratory-rate-below", "6", "/min")
SPO2 = _at("spo2-below", "90", "%")
OXYGENATION = _at("pao2-fio2-below", "200", "mm[Hg]")
VENTILATION = _at("ventilation-at-least", "60", "min")
OLIGURIA_RATE = _at("oliguria-below", "30", "mL/h")
OLIGURIA_FOR = _at("oliguria-for", "4", "h")
OLIGURIA_DAY = _at("oliguria-day-below", "400", "mL")
UNITS = _at("units-at-least", "5", "{unit}")
UNCONSCIOUS = _at("unconscious-at-least", "12", "h")
LACTATE = _at("lactate-above", "5", "mmol/L")
PH = _at("ph-below", "7.1", "[pH]")
CREATININE = _at("creatinine-at-least", "300", "umol/L")
PLATELETS = _at("platelets-below", "50", "10*9/L")
BILIRUBIN = _at("bilirubin-above", "100", "umol/L")

THRESHOLDS: tuple[Threshold, ...] = (
    SHOCK_SYSTOLIC, SHOCK_PULSE, SHOCK_FLUID, SUSTAINED, BREATHS_ABOVE, BREATHS_BELOW, SPO2, OXYGENATION,
    VENTILATION, OLIGURIA_RATE, OLIGURIA_FOR, OLIGURIA_DAY, UNITS, UNCONSCIOUS, LACTATE, PH, CREATININE, PLATELETS,
    BILIRUBIN,
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Item:
    """One near-miss item: met | not-met | not-assessable | not-applicable (she died)."""

    name: str
    status: str


@dataclass(frozen=True, slots=True)
class NearMiss:
    """The items with the version of the criteria; `any_met` is yes, no or not-assessable."""

    version: str
    items: tuple[Item, ...]
    any_met: str
    source: str


def near_miss(view: View) -> NearMiss:
    """Return the near-miss items of a survivor.

    Units:  as each threshold's own.
    Shape: an item that nobody answered or measured is not assessable, nor is one denied by less than its time:
           4 h of urine without a gap, 60 min from the first pressure or saturation to the last.
    Source: sources.WHO_NEAR_MISS.
    """
    if view.death is not None:
        items = tuple(Item(name, Why.NOT_APPLICABLE) for name in _ITEMS)
        return NearMiss(VERSION, items, Why.NOT_APPLICABLE, sources.WHO_NEAR_MISS.citation)
    items = tuple(Item(name, _word(of(view))) for name, of in _ITEMS.items())
    words = {item.status for item in items}
    verdict = "yes" if "met" in words else (Why.NOT_ASSESSABLE if Why.NOT_ASSESSABLE in words else "no")
    return NearMiss(VERSION, items, verdict, sources.WHO_NEAR_MISS.citation)


def _word(met: bool | None) -> str:
    return Why.NOT_ASSESSABLE if met is None else ("met" if met else "not-met")


def _any(tests: Iterable[bool | None]) -> bool | None:
    seen = [test for test in tests if test is not None]
    return any(seen) if seen else None


def _said(name: str, complication: str | None = None) -> Callable[[View], bool | None]:
    def of(view: View) -> bool | None:
        if any(one.complication == complication for one in view.all(Complication)):
            return True
        answers = [getattr(one, name) for one in view.all(Outcome)]
        return _any(None if not isinstance(one, str) else one == "yes" for one in answers)

    return of


def _stay(name: str, limit: Threshold) -> Callable[[View], bool | None]:
    def of(view: View) -> bool | None:
        values = [number(getattr(one, name)) for one in view.all(Outcome)]
        return _any(None if value is None else value >= limit.value for value in values)

    return of


def _lab(name: str, crosses: Callable[[Decimal], bool]) -> Callable[[View], bool | None]:
    def of(view: View) -> bool | None:
        values = [number(getattr(one, name)) for one in view.all(Laboratory)]
        return _any(None if value is None else crosses(value) for value in values)

    return of


def _shock(view: View) -> bool | None:
    """Return whether there was shock: pressures seen over less than the criterion's time deny nothing."""
    fluids = [item for item in collected(view.all(Fluid)) if item.ml is not None]
    times = [when(item.entry) for item in fluids]
    totals = [Decimal(0), *accumulate(item.ml or Decimal(0) for item in fluids)]
    sets = [one for one in view.all(VitalSigns) if one.systolic_mmhg is not None]
    seen = [one for one in sets if unrecordable(one) or number(one.systolic_mmhg) is not None]
    if not seen:
        return None
    first: VitalSigns | None = None
    unsure = False
    for one in seen:
        pulse = number(one.pulse_per_min)
        low = unrecordable(one) or (number(one.systolic_mmhg) or Decimal(0)) < SHOCK_SYSTOLIC.value
        unsure = unsure or (low and pulse is None)
        if not low or pulse is None or pulse < SHOCK_PULSE.value:
            first = None
            continue
        first = first or one
        if when(one) - when(first) >= SUSTAINED.duration:
            if totals[bisect_right(times, when(one))] > SHOCK_FLUID.value:
                return True
            unsure = unsure or not fluids
    covered = when(seen[-1]) - when(seen[0]) >= SUSTAINED.duration
    return False if covered and not unsure else None


def _breaths(view: View) -> bool | None:
    rates = [number(one.respiratory_rate_per_min) for one in view.all(VitalSigns)]
    return _any(None if one is None else one > BREATHS_ABOVE.value or one < BREATHS_BELOW.value for one in rates)


def _oxygen(view: View) -> bool | None:
    """Return whether oxygenation failed: a saturation looked at over less than the criterion's time denies nothing."""
    blood = _lab("pao2_fio2_mmhg", lambda value: value < OXYGENATION.value)(view)
    known = [(when(one), value) for one in view.all(VitalSigns) if (value := number(one.spo2_percent)) is not None]
    first: datetime | None = None
    for at, value in known:
        first = (first or at) if value < SPO2.value else None
        if first is not None and at - first >= SUSTAINED.duration:
            return True
    if blood or not known:
        return blood
    return False if known[-1][0] - known[0][0] >= SUSTAINED.duration else None


def _oliguria(view: View) -> bool | None:
    """Return whether urine failed: what is gathered over less than the criterion's time denies nothing."""
    known = periods(collected(view.all(Urine)))
    if max(low_stretches(known, OLIGURIA_RATE.value)) >= OLIGURIA_FOR.duration:
        return True
    day = timedelta(hours=24)
    if any(one.end - one.start >= day and one.below(OLIGURIA_DAY.value / 24) for one in known):
        return True
    return False if longest_covered(known) >= OLIGURIA_FOR.duration else None


def _five_units(view: View) -> bool | None:
    given = [units_of(one) for one in view.all(Transfusion) if one.product in RED_CELLS]
    known = [one for one in given if one is not None]
    if sum(known, Decimal(0)) >= UNITS.value:
        return True
    return None if len(known) < len(given) or not view.all(Transfusion) else False


def _clot(view: View) -> bool | None:
    answers = [one.clot_forms for one in view.all(Laboratory)]
    return _any(None if not isinstance(one, str) else one == "no" for one in answers)


def _hysterectomy(view: View) -> bool | None:
    done = view.all(Surgery)
    return any("hysterectomy" in one.procedures for one in done) if done else None


_ITEMS: dict[str, Callable[[View], bool | None]] = {
    "shock": _shock,
    "cardiac-arrest": _said("cardiac_arrest", "cardiac-arrest"),
    "vasoactive-infusion": _said("vasoactive_infusion"),
    "acute-cyanosis": _said("acute_cyanosis"),
    "gasping": _said("gasping"),
    "lactate": _lab("lactate_mmol_l", lambda value: value > LACTATE.value),
    "ph": _lab("ph", lambda value: value < PH.value),
    "respiratory-rate": _breaths,
    "oxygenation": _oxygen,
    "ventilation": _stay("ventilation_min", VENTILATION),
    "oliguria": _oliguria,
    "dialysis": _said("dialysis"),
    "creatinine": _lab("creatinine_umol_l", lambda value: value >= CREATININE.value),
    "failure-to-clot": _clot,
    "five-units-of-blood": _five_units,
    "platelets": _lab("platelets_10e9_l", lambda value: value < PLATELETS.value),
    "bilirubin": _lab("bilirubin_umol_l", lambda value: value > BILIRUBIN.value),
    "unconscious": _stay("unconscious_h", UNCONSCIOUS),
    "stroke": _said("stroke"),
    "uncontrollable-fits": _said("uncontrollable_fits"),
    "total-paralysis": _said("total_paralysis"),
    "jaundice-with-pre-eclampsia": _said("jaundice_with_pre_eclampsia"),
    "hysterectomy": _hysterectomy,
}
