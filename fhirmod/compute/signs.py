"""The last pressure, pulse and mental state with their age, the shock index and where it is heading."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirmod.episode import Laboratory, VitalSigns

from .classes import unrecordable
from .haemodynamics import LOCAL_MEASURES, at_least_ratio, shock_index
from .view import View
from .when import minutes, when
from .why import Why, number, rounded, why

_SHOCK_INDEX, _MEAN, _PULSE_PRESSURE = (measure.of for measure in LOCAL_MEASURES)


@dataclass(frozen=True, slots=True)
class Latest:
    """The newest recorded value of one sign, with its age.

    Units:  min for the age.
    """

    value: Decimal | str
    at: datetime | Why
    age_min: Decimal | Why


@dataclass(frozen=True, slots=True)
class Crossed:
    """Whether the shock index reaches a threshold, compared before rounding."""

    threshold: Decimal
    reached: bool
    source: str


@dataclass(frozen=True, slots=True)
class Haemodynamics:
    """Where pressure and pulse stand.

    Units:  /min, mm[Hg], min.
    Shape: `pressure` is text such as "92/50", "80/palpated" or the word "not-recordable", which supersedes
           the last number; index, mean and pulse pressure come from one set each; `direction` compares the
           last two indices.
    """

    pressure: Latest
    systolic_mmhg: Latest
    diastolic_mmhg: Latest
    pulse_per_min: Latest
    mental_state: Latest
    shock_index: Latest
    thresholds: tuple[Crossed, ...]
    mean_arterial_pressure: Decimal | Why
    pulse_pressure: Decimal | Why
    direction: str
    worst: Decimal | Why


def haemodynamics(view: View) -> Haemodynamics:
    """Return the haemodynamic state.

    Units:  /min, mm[Hg], min.
    Source: sources.NATHAN_2015, sources.NATHAN_2016, sources.EL_AYADI_2016.
    """
    sets = view.all(VitalSigns)
    pressed = next((one for one in reversed(sets) if one.systolic_mmhg is not None and _looked(one)), None)
    indexed = [one for one in sets if _SHOCK_INDEX(one) is not None]
    last = indexed[-1] if indexed else None
    gone = pressed is not None and unrecordable(pressed)
    stale = gone and pressed is not None and (last is None or when(last) < when(pressed))
    index = Why.COULD_NOT_MEASURE if stale else (_shown(_SHOCK_INDEX, last))
    return Haemodynamics(
        pressure=_latest(view, pressed, Why.NOT_RECORDED if pressed is None else _pressure(pressed)),
        systolic_mmhg=_latest(view, pressed, "not-recordable" if gone else _value(pressed, "systolic_mmhg")),
        diastolic_mmhg=_latest(view, pressed, _diastolic(pressed, gone=gone)),
        pulse_per_min=_newest(view, sets, "pulse_per_min"),
        mental_state=_newest(view, sets, "mental_state"),
        shock_index=_latest(view, pressed if stale else last, index),
        thresholds=() if last is None or stale else _crossed(view, last),
        mean_arterial_pressure=_shown(_MEAN, pressed),
        pulse_pressure=_shown(_PULSE_PRESSURE, pressed),
        direction=_direction(indexed, stale=stale),
        worst=_worst(indexed),
    )


def _worst(indexed: list[VitalSigns]) -> Decimal | Why:
    values = [value for one in indexed if (value := _SHOCK_INDEX(one)) is not None]
    return rounded(max(values), 3) if values else Why.NOT_RECORDED


def _looked(signs: VitalSigns) -> bool:
    value = signs.systolic_mmhg
    return isinstance(value, Decimal) or (value is not None and value.absent != "not-done")


def _pressure(signs: VitalSigns) -> str:
    if unrecordable(signs):
        return "not-recordable"
    systolic, diastolic = number(signs.systolic_mmhg), number(signs.diastolic_mmhg)
    if systolic is None:
        return why(signs.systolic_mmhg if not isinstance(signs.systolic_mmhg, Decimal) else None)
    if signs.palpated:
        return f"{systolic}/palpated"
    return f"{systolic}/{'-' if diastolic is None else diastolic}"


def _diastolic(signs: VitalSigns | None, *, gone: bool) -> Decimal | str:
    if gone:
        return "not-recordable"
    return Why.NOT_APPLICABLE if signs is not None and signs.palpated else _value(signs, "diastolic_mmhg")


def _value(signs: VitalSigns | None, name: str) -> Decimal | str:
    value = getattr(signs, name, None)
    return value if isinstance(value, Decimal | str) else why(value)


def _shown(measure: Callable[[VitalSigns], Decimal | None], signs: VitalSigns | None) -> Decimal | Why:
    """Return a local measure for showing: the index at three decimals, pressures at one."""
    if signs is None:
        return Why.NOT_RECORDED
    value = measure(signs)
    if value is not None:
        return rounded(value, 3 if measure is _SHOCK_INDEX else 1)
    if unrecordable(signs):
        return Why.COULD_NOT_MEASURE
    return Why.NOT_APPLICABLE if signs.palpated else Why.NOT_RECORDED


def _latest(view: View, signs: VitalSigns | None, value: Decimal | str) -> Latest:
    if signs is None:
        return Latest(value, Why.NOT_RECORDED, Why.NOT_RECORDED)
    at = signs.instant
    return Latest(value, at or Why.NOT_KNOWN, Why.NOT_KNOWN if at is None else minutes(view.now - at))


def _newest(view: View, sets: list[VitalSigns], name: str) -> Latest:
    """Return the newest value or reason; "not done" is no look and does not supersede."""
    for signs in reversed(sets):
        value = getattr(signs, name)
        if isinstance(value, Decimal | str):
            return _latest(view, signs, value)
        if value is not None and value.absent != "not-done":
            return _latest(view, signs, why(value))
    return Latest(Why.NOT_RECORDED, Why.NOT_RECORDED, Why.NOT_RECORDED)


def _crossed(view: View, signs: VitalSigns) -> tuple[Crossed, ...]:
    pulse, systolic = number(signs.pulse_per_min), number(signs.systolic_mmhg)
    if pulse is None or not systolic:
        return ()
    return tuple(
        Crossed(one.value, at_least_ratio(pulse, systolic, one.value), one.source.citation)
        for one in view.protocol.shock_index
    )


def _direction(indexed: list[VitalSigns], *, stale: bool) -> str:
    """Return rising, falling or level from the last two sets, unrounded."""
    if stale:
        return Why.COULD_NOT_MEASURE
    if len(indexed) < 2:
        return Why.NOT_RECORDED
    earlier, later = (
        shock_index(number(one.pulse_per_min) or Decimal(0), number(one.systolic_mmhg) or Decimal(1))
        for one in indexed[-2:]
    )
    return "rising" if later > earlier else ("falling" if later < earlier else "level")


def last_haemoglobin(view: View) -> str:
    """Return the newest haemoglobin with its unit, or why there is none.

    Units:  g/dL in the text.
    """
    values = [one.haemoglobin_g_dl for one in view.all(Laboratory) if one.haemoglobin_g_dl is not None]
    if not values:
        return Why.NOT_RECORDED
    last = values[-1]
    return f"{last} g/dL" if isinstance(last, Decimal) else why(last)
