"""The blood-loss ledger: measured and visual apart, by method, phase and outlet; what it lacks is said."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirmod.episode import Birth, BloodLoss, VitalSigns
from fhirmod.sources import RCOG_SECONDARY

from .balloons import Balloon
from .classes import SCHEMES, LossClass, sign_of
from .loss import Added
from .view import View
from .when import when
from .why import Why, number, why

CONCEALED = "concealed blood not included"


@dataclass(frozen=True, slots=True)
class Sum:
    """A sum of blood loss.

    Units:  mL.
    Shape: `certainty` is "as-recorded", or "at-least" when an amount in it was absent or unusable.
    """

    ml: Decimal | Why
    certainty: str
    entries: int


@dataclass(frozen=True, slots=True)
class Phase:
    """The loss of one stretch of the course, by outlet; measured and visual apart.

    Units:  mL.
    """

    name: str
    measured: Sum
    visual: Sum
    outlets: dict[str, Sum]


@dataclass(frozen=True, slots=True)
class Stated:
    """A total somebody stated; it stands beside the ledger and is never added."""

    entry: str
    at: datetime
    method: str
    ml: Decimal | Why


@dataclass(frozen=True, slots=True)
class Losses:
    """Everything recorded as lost, up to the moment.

    Units:  mL.
    Shape: `drain` says not-applicable where no balloon had a drain lumen; `since_placement` counts from the
           first balloon's placement.
    """

    measured: Sum
    visual: Sum
    methods: dict[str, Sum]
    phases: tuple[Phase, ...]
    since_placement: Sum
    since_placement_visual: Sum
    drain: Sum
    stated: tuple[Stated, ...]
    concealed: str


def losses(view: View, all_balloons: tuple[Balloon, ...]) -> Losses:
    """Return the blood-loss ledger.

    Units:  mL.
    Source: sources.AWHONN_QBL for the sums; phases are sources.PRACTICE.
    """
    items = view.added
    bounds = _bounds(all_balloons)
    groups: dict[str, list[Added]] = {"before-balloon": []}
    for name, _ in bounds:
        groups.setdefault(name, [])
    place = 0
    current = "before-balloon"
    since: list[Added] = []
    for item in items:
        at = when(item.entry)
        while place < len(bounds) and bounds[place][1] <= at:
            current = bounds[place][0]
            place += 1
        groups[current].append(item)
        if place:
            since.append(item)
    return Losses(
        measured=total(item for item in items if not item.visual),
        visual=total(item for item in items if item.visual),
        methods=_by(items, lambda item: item.entry.method),
        phases=tuple(_phase(name, group) for name, group in groups.items()),
        since_placement=total(item for item in since if not item.visual),
        since_placement_visual=total(item for item in since if item.visual),
        drain=_drain(since, all_balloons),
        stated=tuple(
            Stated(one.id, when(one), one.method, number(one.volume_ml) or why_absent(one))
            for one in view.all(BloodLoss)
            if one.reading == "stated-total"
        ),
        concealed=CONCEALED,
    )


def total(items: Iterable[Added]) -> Sum:
    """Return the sum of what was added; nothing recorded is not zero.

    Units:  mL.
    """
    ml, count, whole = Decimal(0), 0, True
    usable = False
    for item in items:
        count += 1
        if item.ml is None:
            whole = False
        else:
            usable = True
            ml += item.ml
    if not count:
        return Sum(Why.NOT_RECORDED, "not-recorded", 0)
    return Sum(ml if usable else Why.NOT_KNOWN, "as-recorded" if whole else "at-least", count)


def primary(view: View) -> tuple[list[Added], list[Added]] | Why:
    """Return what was lost before, and from, the primary limit after the last birth (24 h 00 is secondary).

    Errors: none; without a known birth time the split is not known.
    Source: sources.RCOG_SECONDARY.
    """
    births = view.all(Birth)
    if not births:
        return Why.NOT_RECORDED
    if births[-1].instant is None:
        return Why.NOT_KNOWN
    limit = births[-1].instant + view.protocol.of("loss.primary_h").duration
    early = [item for item in view.added if when(item.entry) < limit]
    return early, [item for item in view.added if when(item.entry) >= limit]


def why_absent(entry: BloodLoss) -> Why:
    """Return why an entry has no amount."""
    value = entry.volume_ml
    return Why.NOT_RECORDED if value is None or isinstance(value, Decimal) else why(value)


def _bounds(all_balloons: tuple[Balloon, ...]) -> list[tuple[str, datetime]]:
    """Return where each phase of the course begins: each balloon in place, and after it."""
    bounds: list[tuple[str, datetime]] = []
    for balloon in all_balloons:
        if isinstance(balloon.placed.at, datetime):
            bounds.append((f"balloon-{balloon.n}-in", balloon.placed.at))
        if isinstance(balloon.out.at, datetime) and balloon.state != "in-at-death":
            bounds.append((f"after-balloon-{balloon.n}", balloon.out.at))
    return sorted(bounds, key=lambda bound: bound[1])


def _phase(name: str, items: list[Added]) -> Phase:
    return Phase(
        name,
        total(item for item in items if not item.visual),
        total(item for item in items if item.visual),
        _by(items, lambda item: item.entry.outlet or "not-recorded"),
    )


def _by(items: Iterable[Added], key: Callable[[Added], str]) -> dict[str, Sum]:
    groups: dict[str, list[Added]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return {name: total(group) for name, group in sorted(groups.items())}


def _drain(since: list[Added], all_balloons: tuple[Balloon, ...]) -> Sum:
    """Return the loss through the drain; without a drain lumen it does not apply, and is never 0."""
    through = [item for item in since if item.entry.outlet == "drain"]
    if through:
        return total(through)
    lumens = {str(balloon.facts["drain_lumen"]) for balloon in all_balloons}
    if lumens and lumens <= {"no", Why.NOT_APPLICABLE}:
        return Sum(Why.NOT_APPLICABLE, Why.NOT_APPLICABLE, 0)
    return Sum(Why.NOT_RECORDED, Why.NOT_RECORDED, 0)


def classes(view: View) -> tuple[LossClass, ...]:
    """Return the class of the loss under each scheme of the site, with its scope.

    Units:  mL.
    Shape:  the measured sum, and measured with visual beside it where something was estimated; secondary loss
            (from 24 h 00 after the last birth) is named, never added to the first day's.
    Source: each scheme's own.
    """
    split = primary(view)
    early, late = (list(view.added), []) if isinstance(split, Why) else split
    when_ = "birth time not known" if isinstance(split, Why) else "before 24 h after the last birth"
    sets = view.all(VitalSigns)
    if not isinstance(split, Why):
        births = view.all(Birth)
        limit = when(births[-1]) + view.protocol.of("loss.primary_h").duration
        sets = [one for one in sets if when(one) < limit]
    caesarean = any(one.mode == "caesarean" for one in view.all(Birth))
    result: list[LossClass] = []
    scopes = [("measured", total(one for one in early if not one.visual))]
    if any(one.visual for one in early):
        scopes.append(("measured and visual", total(early)))
    for name in view.protocol.loss_schemes:
        scheme = SCHEMES[name]
        for what, lost in scopes:
            if isinstance(lost.ml, Decimal):
                word = scheme.of(lost.ml, sign_of(scheme, sets), caesarean=caesarean)
                scope = f"{what}, {when_}, {CONCEALED}"
                result.append(LossClass(name, word, scope, lost.ml, scheme.source.citation))
    later = total(late)
    if isinstance(later.ml, Decimal):
        scope = "from 24 h after the last birth; secondary if the bleeding is abnormal"
        result.append(LossClass("rcog-secondary", "secondary", scope, later.ml, RCOG_SECONDARY.citation))
    return tuple(result)
