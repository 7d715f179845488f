"""The phases of the watch: in which stretches of time a full round is due every so often, by the site's table."""

from dataclasses import dataclass
from datetime import datetime

from fhirmod.episode import BleedingResponse, DeviceProblem, Opening, Threshold, Transfer, VitalSigns

from .balloons import Balloon
from .classes import unrecordable
from .view import View
from .when import when
from .why import Why


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of time in which a full round is due every so often."""

    name: str
    start: datetime
    end: datetime | None
    every: Threshold


def phases_of(view: View, all_balloons: tuple[Balloon, ...]) -> tuple[Phase, ...]:
    """Return every phase of the watch, from the balloons, trials, journeys and worsenings."""
    protocol = view.protocol
    phases: list[Phase] = []
    for balloon in all_balloons:
        phases += _since_fill(view, balloon)
        phases += [
            Phase(
                "trial",
                one.start,
                one.end if isinstance(one.end, datetime) else None,
                protocol.of("watch.every_min.trial"),
            )
            for one in balloon.trials
        ]
        if isinstance(balloon.out.at, datetime):
            until = balloon.out.at + protocol.of("watch.after_removal_for_min").duration
            phases.append(Phase("after-removal", balloon.out.at, until, protocol.of("watch.every_min.after_removal")))
    if phases:
        phases += [
            Phase("in-transit", start, end, protocol.of("watch.every_min.in_transit")) for start, end in journeys(view)
        ]
        lasts = protocol.of("watch.worsening_for_min").duration
        phases += [
            Phase("after-worsening", at, at + lasts, protocol.of("watch.every_min.after_worsening"))
            for at in _worsenings(view)
        ]
    return tuple(one for one in phases if one.end is None or one.start < one.end)


def _since_fill(view: View, balloon: Balloon) -> list[Phase]:
    """Return the steps of the site's table while this balloon is in, begun anew by every cavity fill."""
    start = watch_start(balloon)
    if isinstance(start, Why):
        start = next((when(one) for one in view.all(Opening)), view.entries[0].recorded_at.instant or view.now)
    end = watch_end(balloon)
    if not balloon.in_place and end is None:
        return []
    fills = [when(one) for one in view.ledgers.balloons[balloon.n - 1].fills]
    begun = [start, *(one for one in fills if one > start and (end is None or one < end))]
    phases = []
    for index, begin in enumerate(begun):
        until = begun[index + 1] if index + 1 < len(begun) else end
        for number, step in enumerate(view.protocol.since_fill):
            steps = view.protocol.since_fill
            first = begin + step.start.duration
            last = begin + steps[number + 1].start.duration if number + 1 < len(steps) else until
            last = last if until is None else (until if last is None else min(last, until))
            if last is None or first < last:
                phases.append(Phase("balloon-in-place", first, last, step.every))
    return phases


def journeys(view: View) -> list[tuple[datetime, datetime | None]]:
    """Return the start and end of each journey (departed, arrived)."""
    result: list[tuple[datetime, datetime | None]] = []
    for step in view.all(Transfer):
        if step.step == "departed":
            result.append((when(step), None))
        elif step.step == "arrived" and result and result[-1][1] is None:
            result[-1] = (result[-1][0], when(step))
    return result


def _worsenings(view: View) -> list[datetime]:
    """Return when something got worse: bleeding again, an unrecordable pressure, a device problem."""
    worse = [when(one) for one in view.all(BleedingResponse) if one.response == "returned"]
    worse += [when(one) for one in view.all(VitalSigns) if unrecordable(one)]
    worse += [when(one) for one in view.all(DeviceProblem)]
    return sorted(worse)


def watch_start(balloon: Balloon) -> datetime | Why:
    """Return when the watch of a balloon begins: its first filling ended, else it was placed."""
    return balloon.filled_until if isinstance(balloon.filled_until, datetime) else balloon.placed.at


def watch_end(balloon: Balloon) -> datetime | None:
    """Return when the watch of a balloon ends: it came out, or another was placed; None while it is in."""
    if isinstance(balloon.out.at, datetime):
        return balloon.out.at
    return None if balloon.in_place or isinstance(balloon.since, Why) else balloon.since
