"""Published warning criteria, named and versioned: each met, not met, or incomplete; never advice.

A missing input makes a criterion incomplete, never lower. The tables do not replace judgement.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from fhirmod import sources
from fhirmod.episode import Absent, Background, Threshold, Urine, VitalSigns
from fhirmod.sources import Source

from .classes import unrecordable
from .collected import collected
from .haemodynamics import mean_arterial_pressure
from .urine import low_stretches, periods
from .view import View
from .when import minutes, when
from .why import Why, number

NOT_JUDGEMENT = "does not replace judgement"


@dataclass(frozen=True, slots=True)
class Limit:
    """A reading is outside when it is below `low` or above `high`: strict, at exactly the number it is not."""

    name: str
    unit: str
    low: int | None
    high: int | None
    severe: bool = True


@dataclass(frozen=True, slots=True)
class Criterion:
    """One criterion.

    Units:  min for `sustained_min`, from the first to the last of the readings outside in a row.
    Shape: `status` is met | not-met | not-sustained | not-applicable | incomplete.
    """

    name: str
    status: str
    value: str
    at: datetime | Why
    sustained_min: Decimal | Why


@dataclass(frozen=True, slots=True)
class CriteriaSet:
    """One published set: met, not-met or incomplete, with every criterion beside it."""

    name: str
    status: str
    criteria: tuple[Criterion, ...]
    caution: str
    source: str


_EARLY = (
    Limit("systolic", "mm[Hg]", 90, 160),
    Limit("diastolic", "mm[Hg]", None, 100),
    Limit("pulse", "/min", 50, 120),
    Limit("respiratory-rate", "/min", 10, 30),
    Limit("spo2-on-room-air", "%", 95, None),
    Limit("mental-state", "1", None, 0),
)
_URINE = Threshold("early.urine-below", Decimal(35), "mL/h", sources.MHYRE_2014)
_URINE_FOR = Threshold("early.urine-for", Decimal(2), "h", sources.MHYRE_2014)
_SUSTAINED = Threshold("sustained.longer-than", Decimal(20), "min", sources.SHIELDS_2016)
_TRIGGERS = (
    Limit("pulse-severe", "/min", None, 130),
    Limit("respiratory-rate-severe", "/min", None, 30),
    Limit("mean-arterial-pressure", "mm[Hg]", 55, None),
    Limit("spo2-severe", "%", 90, None),
    Limit("temperature", "Cel", 36, 38, severe=False),
    Limit("pressure", "mm[Hg]", 85, 160, severe=False),
    Limit("pulse", "/min", 50, 110, severe=False),
    Limit("respiratory-rate", "/min", 10, 24, severe=False),
    Limit("spo2", "%", 93, None, severe=False),
    Limit("mental-state", "1", None, 0, severe=False),
)
_DIASTOLIC = Limit("pressure-diastolic", "mm[Hg]", 45, 110, severe=False)
_TWO = Threshold("sustained.lesser-needed", Decimal(2), "{count}", sources.SHIELDS_2016)


def _thresholds(limits: tuple[Limit, ...], prefix: str, source: Source) -> tuple[Threshold, ...]:
    return tuple(
        Threshold(f"{prefix}.{limit.name}.{end}", Decimal(value), limit.unit, source)
        for limit in limits
        for end, value in (("below", limit.low), ("above", limit.high))
        if value is not None
    )


THRESHOLDS: tuple[Threshold, ...] = (
    *_thresholds(_EARLY, "early", sources.MHYRE_2014),
    *_thresholds((*_TRIGGERS, _DIASTOLIC), "sustained", sources.SHIELDS_2016),
    _URINE,
    _URINE_FOR,
    _SUSTAINED,
    _TWO,
)

Outside = bool | None | Why


def _test(limit: Limit, value: Decimal | None) -> Outside:
    if value is None:
        return None
    return (limit.low is not None and value < limit.low) or (limit.high is not None and value > limit.high)


def _systolic(limit: Limit, signs: VitalSigns) -> Outside:
    return True if unrecordable(signs) else _test(limit, number(signs.systolic_mmhg))


def _diastolic(limit: Limit, signs: VitalSigns) -> Outside:
    value = _test(limit, number(signs.diastolic_mmhg))
    return Why.NOT_APPLICABLE if value is None and (signs.palpated or unrecordable(signs)) else value


def _pressure(limit: Limit, signs: VitalSigns) -> Outside:
    upper, lower = _systolic(limit, signs), _test(_DIASTOLIC, number(signs.diastolic_mmhg))
    return True if upper is True or lower is True else (upper if lower is None else lower)


def _mean(limit: Limit, signs: VitalSigns) -> Outside:
    if unrecordable(signs):
        return True
    systolic, diastolic = number(signs.systolic_mmhg), number(signs.diastolic_mmhg)
    if systolic is None or diastolic is None:
        return Why.NOT_APPLICABLE if signs.palpated else None
    return _test(limit, mean_arterial_pressure(systolic, diastolic))


def _room_air(limit: Limit, signs: VitalSigns) -> Outside:
    outside = _test(limit, number(signs.spo2_percent))
    if outside is not True or signs.on_oxygen == "no":
        return outside
    return Why.NOT_APPLICABLE if signs.on_oxygen == "yes" else Why.INCOMPLETE


def _mental(limit: Limit, signs: VitalSigns) -> Outside:
    del limit
    state = signs.mental_state
    return None if state is None or isinstance(state, Absent) else state != "alert"


def _field(name: str) -> Callable[[Limit, VitalSigns], Outside]:
    return lambda limit, signs: _test(limit, number(getattr(signs, name)))


_READ: dict[str, Callable[[Limit, VitalSigns], Outside]] = {
    "systolic": _systolic,
    "diastolic": _diastolic,
    "pressure": _pressure,
    "mean-arterial-pressure": _mean,
    "spo2-on-room-air": _room_air,
    "mental-state": _mental,
    "pulse": _field("pulse_per_min"),
    "pulse-severe": _field("pulse_per_min"),
    "respiratory-rate": _field("respiratory_rate_per_min"),
    "respiratory-rate-severe": _field("respiratory_rate_per_min"),
    "temperature": _field("temperature_cel"),
    "spo2": _field("spo2_percent"),
    "spo2-severe": _field("spo2_percent"),
}
_SHOWN = {
    "systolic": ("systolic_mmhg",),
    "diastolic": ("diastolic_mmhg",),
    "pressure": ("systolic_mmhg", "diastolic_mmhg"),
    "mean-arterial-pressure": ("systolic_mmhg", "diastolic_mmhg"),
    "mental-state": ("mental_state",),
    "pulse": ("pulse_per_min",),
    "respiratory-rate": ("respiratory_rate_per_min",),
    "temperature": ("temperature_cel",),
    "spo2": ("spo2_percent",),
}


def warning_sets(view: View) -> tuple[CriteriaSet, ...]:
    """Return each set of the site's protocol.

    Units:  as each criterion's own.
    Source: sources.MHYRE_2014, sources.SHIELDS_2016.
    """
    return tuple(_SETS[name](view) for name in view.protocol.warning_sets)


def early_warning(view: View) -> CriteriaSet:
    """Return the obstetric early-warning criteria: any one, at the last reading, is a trigger.

    Units:  as each criterion's own.
    Source: sources.MHYRE_2014 (headache or breathlessness counts with pre-eclampsia only).
    """
    criteria = [_last(view, limit) for limit in _EARLY]
    criteria.append(_urine(view))
    name = "with-pre-eclampsia-headache-or-breathlessness"
    if any(one.hypertension == "no" for one in view.all(Background)):
        criteria.append(Criterion(name, Why.NOT_APPLICABLE, *(Why.NOT_APPLICABLE,) * 3))
    else:
        criteria.append(_asked(view, name, "headache_or_breathless"))
    return _set("obstetric-early-warning-2014", criteria, sources.MHYRE_2014, met=_has(criteria, "met"))


def sustained_triggers(view: View) -> CriteriaSet:
    """Return the sustained-trigger criteria: one severe, or two lesser, for more than 20 minutes.

    Units:  as each criterion's own; min.
    Source: sources.SHIELDS_2016 (a nurse's concern alone is enough, as last answered).
    """
    criteria = [_sustained(view, limit) for limit in _TRIGGERS]
    criteria += [_asked(view, one.replace("_", "-"), one) for one in ("nurse_concern", "disproportionate_pain")]
    severe = {limit.name for limit in _TRIGGERS if limit.severe} | {"nurse-concern"}
    met = [one.name for one in criteria if one.status == "met"]
    enough = any(name in severe for name in met) or len(met) >= _TWO.value
    return _set("sustained-trigger-2016", criteria, sources.SHIELDS_2016, met=enough)


_SETS: dict[str, Callable[[View], CriteriaSet]] = {
    "obstetric-early-warning-2014": early_warning,
    "sustained-trigger-2016": sustained_triggers,
}


def _set(name: str, criteria: list[Criterion], source: Source, *, met: bool) -> CriteriaSet:
    status = "met" if met else (Why.INCOMPLETE if _has(criteria, Why.INCOMPLETE) else "not-met")
    return CriteriaSet(name, status, tuple(criteria), NOT_JUDGEMENT, source.citation)


def _has(criteria: list[Criterion], status: str) -> bool:
    return any(one.status == status for one in criteria)


def _tested(view: View, limit: Limit) -> list[tuple[VitalSigns, Outside]]:
    read = _READ[limit.name]
    tests = ((one, read(limit, one)) for one in view.all(VitalSigns))
    return [(one, outside) for one, outside in tests if outside is not None]


def _last(view: View, limit: Limit) -> Criterion:
    tests = _tested(view, limit)
    if not tests:
        return Criterion(limit.name, Why.INCOMPLETE, *(Why.NOT_RECORDED,) * 3)
    signs, outside = tests[-1]
    status = outside if isinstance(outside, Why) else ("met" if outside else "not-met")
    return Criterion(limit.name, status, _value(limit.name, signs), when(signs), Why.NOT_APPLICABLE)


def _asked(view: View, name: str, field: str) -> Criterion:
    """Return a criterion that is a question: as it was last answered."""
    answered = [one for one in view.all(VitalSigns) if getattr(one, field) is not None]
    if not answered:
        return Criterion(name, Why.INCOMPLETE, *(Why.NOT_RECORDED,) * 3)
    answer = getattr(answered[-1], field)
    status = {"yes": "met", "no": "not-met"}.get(answer, Why.INCOMPLETE) if isinstance(answer, str) else Why.INCOMPLETE
    return Criterion(name, status, _shown(answer), when(answered[-1]), Why.NOT_APPLICABLE)


def _shown(answer: str | Absent) -> str:
    return answer.absent if isinstance(answer, Absent) else answer


def _sustained(view: View, limit: Limit) -> Criterion:
    tests = _tested(view, limit)
    if not tests:
        return Criterion(limit.name, Why.INCOMPLETE, *(Why.NOT_RECORDED,) * 3)
    signs, outside = tests[-1]
    if outside is not True:
        status = outside if isinstance(outside, Why) else "not-met"
        return Criterion(limit.name, status, _value(limit.name, signs), when(signs), Decimal(0))
    first = signs
    for earlier, was in reversed(tests):
        if was is not True:
            break
        first = earlier
    span = when(signs) - when(first)
    status = "met" if span > _SUSTAINED.duration else "not-sustained"
    return Criterion(limit.name, status, _value(limit.name, signs), when(signs), minutes(span))


def _value(name: str, signs: VitalSigns) -> str:
    fields = _SHOWN[name.removesuffix("-severe").removesuffix("-on-room-air")]
    values = [getattr(signs, field) for field in fields]
    return "/".join("-" if one is None else (one.absent if isinstance(one, Absent) else str(one)) for one in values)


def _urine(view: View) -> Criterion:
    known = periods(collected(view.all(Urine)))
    name = "urine"
    if not known:
        return Criterion(name, Why.INCOMPLETE, *(Why.NOT_RECORDED,) * 3)
    low = low_stretches(known, _URINE.value)[-1]
    status = "met" if low >= timedelta(hours=int(_URINE_FOR.value)) else "not-met"
    return Criterion(name, status, f"{known[-1].ml} mL", known[-1].end, minutes(low))
