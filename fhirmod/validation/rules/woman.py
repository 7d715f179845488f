"""Rules about the woman: her fundus, signs of shock, and whether she was watched."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import at_least_ratio, number, unrecordable, when
from fhirmod.episode import Surgery, Threshold, UterineCheck, VitalSigns
from fhirmod.sources import Source
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Grounds, Place, Told, at, rule
from fhirmod.validation.words import clock, lasting, listed, shown

_SCALES = (
    ("fundus_finger_breadths", "fundus.rise_finger_breadths", "finger-breadths"),
    ("fundus_above_symphysis_cm", "fundus.rise_cm", "cm"),
)


@rule(
    "fundus-risen", "now", "warning", source=sources.PRACTICE,
    parameters=("fundus.rise_finger_breadths", "fundus.rise_cm"),
)  # fmt: skip
def fundus_risen(facts: Facts) -> Told:
    """The fundus above its baseline, or the uterus newly soft, whatever the visible loss."""
    checks = facts.all(UterineCheck)
    if not checks or not facts.balloons or not facts.live or facts.first_since(when(checks[-1]), (Surgery,)):
        return
    for name, limit, unit in _SCALES:
        first = _first_risen(checks, name, facts.of(limit).value)
        if first is not None:
            yield (
                at(first[0], name),
                (
                    f"The fundus is recorded {shown(first[1])} {unit} above its baseline at {clock(first[2], facts)}; "
                    "blood held inside is in no figure of loss, and your protocol's step for a rising fundus applies."
                ),
            )
            return
    toned = [one for one in checks if isinstance(one.tone, str)]
    run = _run_soft(toned)
    if run and len(run) < len(toned):
        yield (
            at(run[0], "tone"),
            (
                f"The uterus is recorded as soft since {clock(when(run[0]), facts)}, and as firm before; your "
                "protocol's step for a soft uterus applies."
            ),
        )


def _first_risen(
    checks: list[UterineCheck], name: str, limit: Decimal
) -> tuple[UterineCheck, Decimal, datetime] | None:
    """Return the first check of the last unbroken run above the baseline, with the last rise and when it was seen."""
    heights = [(one, value) for one in checks if (value := number(getattr(one, name))) is not None]
    base = next((value for one, value in reversed(heights) if one.baseline), None)
    if base is None:
        return None
    first: UterineCheck | None = None
    for one, height in reversed(heights):
        if height - base < limit or one.baseline:
            break
        first = one
    return None if first is None else (first, heights[-1][1] - base, when(heights[-1][0]))


def _run_soft(toned: list[UterineCheck]) -> list[UterineCheck]:
    run: list[UterineCheck] = []
    for one in reversed(toned):
        if one.tone != "soft":
            break
        run.append(one)
    return run[::-1]


@rule(
    "shock-signs", "now", "warning", source=sources.MHYRE_2014,
    parameters=("signs.systolic_below_mmhg", "signs.shock_index"),
)  # fmt: skip
def shock_signs(facts: Facts) -> Told:
    """Signs of shock in the last values: pressure low or not recordable, shock index high, or not alert."""
    if not facts.live:
        return
    sets = facts.all(VitalSigns)
    signs = [one for one in (_pressure(facts, sets), _index(facts, sets), _mental(sets)) if one is not None]
    if not signs:
        return
    first = min(signs, key=lambda one: when(one.first))
    yield (
        at(first.first, first.field),
        (
            f"What your protocol counts as signs of shock is recorded since {clock(when(first.first), facts)}: "
            f"{listed(one.text for one in signs)}; its step for shock applies."
        ),
        Grounds(first.source, tuple(one.limit for one in signs if one.limit is not None)),
    )


@dataclass(frozen=True, slots=True)
class _Sign:
    """One sign in the last values: the set it began with, the field, its words, its source, the limit crossed."""

    first: VitalSigns
    field: str
    text: str
    source: Source
    limit: Threshold | None = None


def _pressure(facts: Facts, sets: list[VitalSigns]) -> _Sign | None:
    """Return the last run of low or unrecordable pressures."""
    limit = facts.of("signs.systolic_below_mmhg")
    run: list[VitalSigns] = []
    for one in reversed(sets):
        value = number(one.systolic_mmhg)
        if not unrecordable(one) and value is None:
            continue
        if not unrecordable(one) and value is not None and value >= limit.value:
            break
        run.append(one)
    if not run:
        return None
    last = number(run[0].systolic_mmhg)
    if unrecordable(run[0]) or last is None:  # a state of its own, below no limit
        return _Sign(run[-1], "systolic_mmhg", "pressure not recordable", sources.PRACTICE)
    text = f"systolic {last:f} mm[Hg], below {_limit(limit)}"
    return _Sign(run[-1], "systolic_mmhg", text, limit.source, limit)


def _index(facts: Facts, sets: list[VitalSigns]) -> _Sign | None:
    limit = facts.of("signs.shock_index")
    first: VitalSigns | None = None
    for one in reversed(sets):
        pulse, systolic = number(one.pulse_per_min), number(one.systolic_mmhg)
        if pulse is None or not systolic:
            continue
        if not at_least_ratio(pulse, systolic, limit.value):
            break
        first = one
    text = f"shock index of {_limit(limit)} or above"
    return None if first is None else _Sign(first, "pulse_per_min", text, limit.source, limit)


def _mental(sets: list[VitalSigns]) -> _Sign | None:
    said = [one for one in sets if isinstance(one.mental_state, str)]
    first: VitalSigns | None = None
    for one in reversed(said):
        if one.mental_state == "alert":
            break
        first = one
    text = f"mental state {said[-1].mental_state}" if said else ""
    return None if first is None else _Sign(first, "mental_state", text, sources.MHYRE_2014)


def _limit(limit: Threshold) -> str:
    """Return a limit in words; one that was not read where it was published says so."""
    return shown(limit.value) + (" (from memory of its source)" if limit.source.how_known == "memory" else "")


@rule(
    "watch-lapsed", "now", "warning", source=sources.PRACTICE,
    parameters=(
        "watch.tolerance_min", "watch.every_min.in_transit", "watch.every_min.trial", "watch.every_min.after_removal",
        "watch.every_min.after_worsening", "watch.every_min.since_fill",
    ),
)  # fmt: skip
def watch_lapsed(facts: Facts) -> Told:
    """No full round recorded for twice the interval of the site's table, each with its tolerance."""
    check = facts.next_check
    if not facts.live or check.asking is None or check.due is None or check.last_look is None:
        return
    every = check.asking.every
    tolerance: timedelta = facts.of("watch.tolerance_min").duration
    interval = check.due - check.last_look
    if facts.now <= check.last_look + 2 * (interval + tolerance):
        return
    yield (
        Place(None, "vital-signs", check.due + tolerance),
        (
            f"No full round is recorded here since {clock(check.last_look, facts)}, which is "
            f"{lasting(check.last_look, facts.now)}; the site's table has one every {shown(every.value)} min."
        ),
        Grounds(every.source, (every, facts.of("watch.tolerance_min"))),
    )


@rule(
    "fundus-without-baseline", "soon", "information", source=sources.PRACTICE,
    parameters=("watch.filling_pause_min",),
)  # fmt: skip
def fundus_without_baseline(facts: Facts) -> Told:
    """Filling is over, and no height of the fundus is recorded as its baseline."""
    balloon = facts.balloons[-1] if facts.balloons else None
    if balloon is None or not balloon.in_place or not facts.live or not isinstance(balloon.filled_until, datetime):
        return
    over = balloon.filled_until + facts.of("watch.filling_pause_min").duration
    placed = balloon.placed.at if isinstance(balloon.placed.at, datetime) else facts.began
    if facts.now < over or any(one.baseline and when(one) >= placed for one in facts.all(UterineCheck)):
        return
    yield (
        Place(balloon.placement, "baseline", over),
        (
            f"Filling ended at {clock(balloon.filled_until, facts)} and no height of the fundus is recorded as its "
            "baseline; a rise cannot be told without one."
        ),
    )
