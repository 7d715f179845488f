"""The six independent axes of an episode: what each entry does to each word; never one phase for all."""

from dataclasses import dataclass
from datetime import datetime

from fhirmod.episode import (
    BleedingResponse,
    Outcome,
    PlacementAttempt,
)

from .balloons import Balloon
from .closure import closure
from .custody import Care
from .view import View
from .when import when
from .why import Why


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: its word, since when, and (for bleeding) when somebody last looked."""

    word: str
    since: datetime | Why
    last_looked: datetime | Why = Why.NOT_APPLICABLE


@dataclass(frozen=True, slots=True)
class Axes:
    """The six axes.

    Shape: balloon: none | attempted-not-placed | filling | in | part-emptied | displaced | removed |
           expelled | pulled | at-surgery | out-how-not-known | in-at-death | fate-not-known;
           bleeding: not-stopped | reduced | stopped | returned | not-known | not-recorded;
           trial: none | running n | no-bleeding-seen | bleeding-returned | interrupted |
           result-not-recorded | not-done; care: facility | on-the-way | accepted-by;
           woman: alive | died | not-known; record: open | closed | reopened.
    """

    balloon: Axis
    bleeding: Axis
    trial: Axis
    care: Axis
    woman: Axis
    record: Axis


def axes(view: View, all_balloons: tuple[Balloon, ...], trail: Care) -> Axes:
    """Return the six axes at the moment.

    Source: sources.PRACTICE.
    """
    return Axes(
        balloon=_balloon(view, all_balloons),
        bleeding=_bleeding(view),
        trial=_trial(all_balloons),
        care=Axis(trail.holders[-1].word, trail.holders[-1].since),
        woman=_woman(view),
        record=_record(view),
    )


def _balloon(view: View, all_balloons: tuple[Balloon, ...]) -> Axis:
    if all_balloons:
        last = all_balloons[-1]
        return Axis(last.state, last.since)
    attempts = view.all(PlacementAttempt)
    if attempts:
        return Axis("attempted-not-placed", when(attempts[-1]))
    return Axis("none", Why.NOT_APPLICABLE)


def _bleeding(view: View) -> Axis:
    """Return the last word seen, since when without change, and when somebody last looked."""
    word: str = Why.NOT_RECORDED
    since: datetime | Why = Why.NOT_RECORDED
    looked: datetime | Why = Why.NOT_RECORDED
    for look in view.all(BleedingResponse):
        if isinstance(look.response, str):
            seen: str = look.response
        elif look.response.absent == "not-done":
            continue
        else:
            seen = Why.NOT_KNOWN
        at = when(look)
        if seen != word:
            word, since = seen, at
        looked = at
    return Axis(word, since, looked)


def _trial(all_balloons: tuple[Balloon, ...]) -> Axis:
    if not all_balloons:
        return Axis("none", Why.NOT_APPLICABLE)
    last = all_balloons[-1]
    if not last.trials:
        return Axis(last.trial, last.since if last.trial == "not-done" else Why.NOT_APPLICABLE)
    done = last.trials[-1]
    return Axis(last.trial, done.end if isinstance(done.end, datetime) else done.start)


def _woman(view: View) -> Axis:
    if view.death is not None:
        return Axis("died", view.death.instant or Why.NOT_KNOWN)
    said = view.all(Outcome)
    if said and not isinstance(said[-1].status, str):
        return Axis(Why.NOT_KNOWN, Why.NOT_KNOWN)
    return Axis("alive", Why.NOT_APPLICABLE)


def _record(view: View) -> Axis:
    """Return open, closed by a sign-off, or reopened by an entry recorded after it."""
    found = closure(view.entries)
    if found.since is not None:
        return Axis(found.word, found.since)
    first = view.entries[0].recorded_at.instant if view.entries else Why.NOT_RECORDED
    return Axis("open", first or Why.NOT_KNOWN)
