"""The registry's minimum set of 40 fields: which are recorded, and why each other one is not."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirmod.episode import (
    Absent,
    Background,
    Birth,
    Complication,
    Conditions,
    Decision,
    DeviceProblem,
    Entry,
    FollowUp,
    Haemorrhage,
    Manoeuvre,
    Opening,
    Outcome,
    Placement,
    PlacementAttempt,
    SignOff,
    Surgery,
    Transfer,
    VitalSigns,
)

from .axes import Axes
from .balloons import Balloon
from .losses import Losses
from .near_miss import NearMiss
from .packs import Packs
from .resuscitation import Resuscitation
from .stops import Stops
from .timings import first_uterotonic
from .txa import Txa
from .view import View
from .watch import Watch
from .why import Why, why


@dataclass(frozen=True, slots=True)
class Known:
    """What the fields are read from."""

    view: View
    axes: Axes
    balloons: tuple[Balloon, ...]
    packs: Packs
    loss: Losses
    watch: Watch
    txa: Txa
    resuscitation: Resuscitation
    near_miss: NearMiss
    stops: Stops


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the minimum set: recorded, or why not."""

    n: int
    name: str
    status: str


@dataclass(frozen=True, slots=True)
class Completeness:
    """The minimum set.

    Shape: `recorded` counts fields with a value, `reasoned` those whose absence was given a reason at the bedside;
           the rest are not recorded.
    """

    fields: tuple[Field, ...]
    recorded: int
    reasoned: int
    of: int


def completeness(known: Known) -> Completeness:
    """Return which of the 40 fields are recorded.

    Source: sources.PRACTICE (the minimum set is this project's own choice).
    """
    fields = tuple(Field(number, name, _status(of(known))) for number, (name, of) in enumerate(FIELDS.items(), start=1))
    recorded = sum(1 for one in fields if one.status == "recorded")
    missing = sum(1 for one in fields if one.status in (Why.NOT_RECORDED, Why.NOT_YET, Why.NOT_ASSESSABLE))
    return Completeness(fields, recorded, len(fields) - recorded - missing, len(fields))


def _status(value: Any) -> str:
    if isinstance(value, Why):
        return value
    if value is None or value in ((), {}):
        return Why.NOT_RECORDED
    return why(value) if isinstance(value, Absent) else "recorded"


def _first(entries: Iterable[Entry], name: str) -> Any:
    """Return the newest value of a field, else the newest reason, else None."""
    values = [value for one in entries if (value := getattr(one, name)) not in (None, ())]
    given = [value for value in values if not isinstance(value, Absent)]
    return given[-1] if given else (values[-1] if values else None)


def _time(entries: Iterable[Entry]) -> Any:
    first = next(iter(entries), None)
    if first is None:
        return None
    return first.at if isinstance(first.at, Absent) else first.at.text


def _all_of(*values: Any) -> Any:
    """Return a value if all are there, else the first reason why one is not."""
    return next((value for value in values if _status(value) != "recorded"), "recorded")


def _any_of(*values: Any) -> Any:
    """Return a value if one is there, else the first reason."""
    return next((value for value in values if _status(value) == "recorded"), values[0])


def _balloon(of: Callable[[Balloon], Any]) -> Callable[[Known], Any]:
    return lambda known: of(known.balloons[0]) if known.balloons else None


def _background(name: str) -> Callable[[Known], Any]:
    return lambda known: _first(known.view.all(Background), name)


def _birth(name: str) -> Callable[[Known], Any]:
    return lambda known: _first(known.view.all(Birth), name)


def _birth_time(known: Known) -> Any:
    births = known.view.all(Birth)
    return _time(births[-1:]) if births else None


def _arrived(known: Known) -> Any:
    said = _first(known.view.all(Opening), "arrived_with_balloon")
    return said if said is not None else ("yes" if any(one.elsewhere for one in known.balloons) else None)


def _one_set(known: Known) -> Any:
    sets = known.view.all(VitalSigns)
    return "recorded" if any(one.pulse_per_min is not None and one.systolic_mmhg is not None for one in sets) else None


def _cadre(known: Known) -> Any:
    return next((one.performed_by.role for one in known.view.all(Placement) if one.performed_by), None)


def _loss_before(known: Known) -> Any:
    before = known.loss.phases[0]
    return _any_of(before.measured.ml, before.visual.ml)


def _first_volume(known: Known) -> Any:
    if not known.balloons:
        return None
    cavity = known.balloons[0].cavity
    return cavity.total_in_ml or Why.NOT_RECORDED


def _transfer(known: Known) -> Any:
    steps = {one.step for one in known.view.all(Transfer)}
    if not steps:
        return None
    return "recorded" if {"departed", "arrived"} <= steps else Why.INCOMPLETE


def _trial(balloon: Balloon) -> Any:
    if balloon.trials:
        return "recorded"
    return Why.NOT_DONE if balloon.trial == "not-done" else Why.NOT_RECORDED


def _out(balloon: Balloon) -> Any:
    if balloon.state == "in-at-death":
        return Why.NOT_APPLICABLE
    return balloon.out.at if balloon.out.entry not in (Why.NOT_YET, Why.NOT_KNOWN) else balloon.out.entry


def _near_miss(known: Known) -> Any:
    assessed = [one for one in known.near_miss.items if one.status in ("met", "not-met")]
    return "recorded" if assessed else Why(known.near_miss.items[0].status)


def _ends(known: Known) -> Any:
    return _all_of(_first(known.view.all(Outcome), "status"), _first(known.view.all(FollowUp), "status"))


def _stops_word(name: str) -> Callable[[Known], Any]:
    def of(known: Known) -> Any:
        word = getattr(known.stops, name)
        return Why(word) if isinstance(word, str) and word in set(Why) else word

    return of


def _added_measures(known: Known) -> Any:
    return _any_of(known.packs.into, known.view.all(Manoeuvre)[:1] or None, known.view.all(Surgery)[:1] or None)


def _loss_after(known: Known) -> Any:
    return _any_of(known.loss.since_placement.ml, known.loss.since_placement_visual.ml)


def _kind(balloon: Balloon) -> Any:
    return _as_why(balloon.facts["device"])


def _as_why(word: str | Decimal | datetime | Why) -> Any:
    return Why(word) if isinstance(word, str) and word in set(Why) else word


def _problems(known: Known) -> Any:
    found: list[Entry] = [*known.view.all(Complication), *known.view.all(DeviceProblem)]
    return found or ("none recorded at sign-off" if known.view.all(SignOff) else None)


def _red_cells(known: Known) -> Any:
    return _any_of(known.resuscitation.red_cell_units, known.stops.refused_products or None)


FIELDS: dict[str, Callable[[Known], Any]] = {
    "case-id": lambda known: known.view.episode or None,
    "facility": lambda known: _first(known.view.all(Opening), "facility"),
    "level-of-care": _background("level_of_care"),
    "arrived-with-balloon": _arrived,
    "age": _background("age_years"),
    "parity": _background("parity"),
    "gestation": _background("gestation_days"),
    "plurality": lambda known: _any_of(_first(known.view.all(Background), "babies"), _birth("baby")(known)),
    "mode-of-birth": _birth("mode"),
    "last-baby-time": _birth_time,
    "birthplace": _birth("place"),
    "haemoglobin-before": _background("haemoglobin_before_g_dl"),
    "conditions": lambda known: _any_of(
        *(_background(name)(known) for name in ("hypertension", "asthma", "coagulopathy", "latex_allergy"))
    ),
    "recognition-time": lambda known: _time(known.view.all(Haemorrhage)),
    "causes": lambda known: known.stops.causes,
    "tissue-and-tears-checked": lambda known: _all_of(_stops_word("tissue")(known), _stops_word("tears")(known)),
    "back-up-conditions": lambda known: known.view.all(Conditions)[:1] or None,
    "first-uterotonic": lambda known: first_uterotonic(known.view),
    "txa": lambda known: _as_why(known.txa.first),
    "loss-before": _loss_before,
    "worst-pulse-and-pressure": _one_set,
    "decision-time": lambda known: _time([one for one in known.view.all(Decision) if one.choice == "balloon"]),
    "attempts": lambda known: [*known.view.all(PlacementAttempt), *known.view.all(Placement)] or None,
    "placement-time": lambda known: _time(known.view.all(Placement)),
    "operator-cadre": _cadre,
    "route": lambda known: _first(known.view.all(Placement), "route"),
    "balloon-kind": _balloon(_kind),
    "volume-after-first-filling": _first_volume,
    "bleeding-at-15-min": _balloon(lambda balloon: _as_why(balloon.stop.bleeding_at_15_min)),
    "added-measures-and-packs": _added_measures,
    "loss-after": _loss_after,
    "time-covered": lambda known: known.watch.stretches or None,
    "transfer": _transfer,
    "trial": _balloon(_trial),
    "out": _balloon(_out),
    "further-procedures": lambda known: known.view.all(Surgery)[:1] or None,
    "red-cells-and-refusals": _red_cells,
    "near-miss-items": _near_miss,
    "complications-and-faults": _problems,
    "discharge-and-42-day-status": _ends,
}
