"""The watch: how often a full round is due in each phase, how much time was covered, what is due next."""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from .balloons import Balloon
from .ledger import LEDGER_KINDS
from .phases import Phase, journeys, phases_of, watch_end, watch_start
from .rounds import full_rounds
from .trials import TRIAL_KINDS
from .view import View
from .when import minutes
from .why import Why, rounded

_ZERO = timedelta()
WATCH_KINDS = LEDGER_KINDS | TRIAL_KINDS | {"vital-signs", "uterine-check", "bleeding-response", "transfer"}


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch between two looks that outlasted its interval and tolerance.

    Units:  min.
    """

    start: datetime
    end: datetime
    minutes: Decimal
    uncovered_min: Decimal


@dataclass(frozen=True, slots=True)
class Stretch:
    """How well one stretch of time was watched.

    Units:  min and percent.
    Shape: each look covers its interval and the tolerance after it; gaps are cut at the stretch's own ends.
    """

    name: str
    start: datetime
    end: datetime
    running: bool
    minutes: Decimal
    covered_min: Decimal
    covered_percent: Decimal | Why
    full_rounds: int
    longest_gap_min: Decimal
    longest_gap_start: datetime
    longest_gap_end: datetime
    longest_gap_uncovered_min: Decimal
    gaps: tuple[Gap, ...]


@dataclass(frozen=True, slots=True)
class Watch:
    """The watch as it stands.

    Units:  min.
    Shape: `phase` is the phase whose interval holds now; `overdue_since` is the due time plus the tolerance.
    """

    phase: str
    every_min: Decimal | Why
    parameter: str | Why
    source: str | Why
    last_full_round: datetime | Why
    last_full_round_age_min: Decimal | Why
    due: datetime | Why
    overdue_since: datetime | Why
    overdue: bool
    stretches: tuple[Stretch, ...]


@dataclass(frozen=True, slots=True)
class NextCheck:
    """When the next full round is due.

    Shape: `phase` is the phase whose interval holds now, None when there is no watch; `last_look` is the last full
           round or the moment the watch began, `due` follows from it, and `asking` is the phase whose interval it is.
    """

    phase: Phase | None
    last_look: datetime | None
    due: datetime | None
    asking: Phase | None


def next_check(view: View, all_balloons: tuple[Balloon, ...]) -> NextCheck:
    """Return when the next full round is due, and since when there was none.

    Units:  min.
    Errors: none; without a watch nothing is due.
    Source: the site protocol's thresholds, each with its own.
    """
    return schedule_of(view, all_balloons).next_check(view)


def watch(view: View, all_balloons: tuple[Balloon, ...], *, watched: bool = True) -> Watch:
    """Return the watch: phases, rounds, time covered, longest gap, next due and overdue.

    Units:  min.
    Shape: `watched` false says that the watch is kept elsewhere: nothing is due here.
    Source: the site protocol's thresholds, each with its own.
    """
    now = view.now
    schedule = schedule_of(view, all_balloons)
    times = schedule.rounds
    last = times[-1] if times else None
    check = schedule.next_check(view)
    active, due = check.phase, check.due if watched else None
    overdue = None if due is None else due + schedule.tolerance
    return Watch(
        phase="none" if active is None else active.name,
        every_min=Why.NOT_APPLICABLE if active is None else active.every.value,
        parameter=Why.NOT_APPLICABLE if active is None else active.every.name,
        source=Why.NOT_APPLICABLE if active is None else active.every.source.citation,
        last_full_round=Why.NOT_RECORDED if last is None else last,
        last_full_round_age_min=Why.NOT_RECORDED if last is None else minutes(now - last),
        due=Why.NOT_APPLICABLE if due is None else due,
        overdue_since=Why.NOT_APPLICABLE if overdue is None else (overdue if now > overdue else Why.NOT_YET),
        overdue=overdue is not None and now > overdue,
        stretches=tuple(schedule.stretch(*one, times, now) for one in _wanted(view, all_balloons) if one[1] < now),
    )


def schedule_of(view: View, all_balloons: tuple[Balloon, ...]) -> "Schedule":
    """Return the phases, full rounds and looks of the watch."""
    protocol = view.protocol
    rounds = full_rounds(view.looks, protocol.of("watch.round_window_min").duration)
    tolerance = protocol.of("watch.tolerance_min").duration
    return Schedule(phases_of(view, all_balloons), [one.at for one in rounds], _starts(all_balloons), tolerance)


class Schedule:
    """The phases and the looks of one watch: what a look at a time covers, and when the next is due."""

    def __init__(
        self, phases: tuple[Phase, ...], rounds: list[datetime], starts: list[datetime], tolerance: timedelta
    ) -> None:
        self.rounds, self.tolerance = rounds, tolerance
        self.looks = sorted({*starts, *rounds})
        self.phases = sorted(phases, key=lambda one: one.start)
        self.starts = [one.start for one in self.phases]
        self.cuts, self.tightest = _segments(self.phases)

    def at(self, moment: datetime) -> Phase | None:
        """Return the tightest phase in force."""
        index = bisect_right(self.cuts, moment)
        return self.tightest[index - 1] if index else None

    def due(self, look: datetime) -> datetime | None:
        """Return when the next round is due after a look; a tighter phase begun before then tightens it."""
        active = self.at(look)
        due = look + active.every.duration if active is not None else None
        for index in range(bisect_right(self.starts, look), len(self.phases)):
            phase = self.phases[index]
            if due is not None and phase.start >= due:
                break
            sooner = phase.start + phase.every.duration
            due = sooner if due is None else min(due, sooner)
        return due

    def next_after(self, look: datetime) -> tuple[datetime | None, Phase | None]:
        """Return when the next round is due after a look and the phase that asks for it, if the watch is on then."""
        due = self.due(look)
        if due is None or not any(one.start <= due and (one.end is None or due <= one.end) for one in self.phases):
            return None, None
        return due, self._asking(look, due)

    def _asking(self, look: datetime, due: datetime) -> Phase:
        """Return the phase whose interval gives what is due after a look: the one in force, or a tighter one since."""
        active = self.at(look)
        if active is not None and look + active.every.duration == due:
            return active
        return next(one for one in self.phases if one.start > look and one.start + one.every.duration == due)

    def phase_before(self, moment: datetime) -> Phase | None:
        """Return the phase in force at a moment, or the last one that was."""
        index = bisect_right(self.cuts, moment)
        return next((one for one in reversed(self.tightest[:index]) if one is not None), None)

    def next_check(self, view: View) -> NextCheck:
        """Return the next check; death ends the watch."""
        active = None if view.death is not None else self.at(view.now)
        since = self.last_look(view.now)
        due = None if active is None or since is None else self.due(since)
        asking = None if since is None or due is None else self._asking(since, due)
        return NextCheck(active, since, due, asking)

    def last_look(self, moment: datetime) -> datetime | None:
        """Return the last look at or before a moment."""
        index = bisect_right(self.looks, moment)
        return self.looks[index - 1] if index else None

    def stretch(
        self, name: str, start: datetime, end: datetime | None, rounds: list[datetime], now: datetime
    ) -> Stretch:
        """Return how well the time from start to end (or now) was watched."""
        stop = now if end is None else min(end, now)
        before = self.last_look(start)
        inside = self.looks[bisect_right(self.looks, start) : bisect_left(self.looks, stop)]
        points = [start if before is None else before, *inside]
        covered = _ZERO
        longest = (_ZERO, start, start, _ZERO)
        gaps = []
        for index, point in enumerate(points):
            until = points[index + 1] if index + 1 < len(points) else stop
            begin = max(point, start)
            due = None if point == start and before is None else self.due(point)
            safe = begin if due is None else min(max(due + self.tolerance, begin), until)
            covered += safe - begin
            if until > safe:
                gaps.append(Gap(begin, until, minutes(until - begin), minutes(until - safe)))
            if until - begin > longest[0]:
                longest = (until - begin, begin, until, until - safe)
        total = minutes(stop - start)
        share = rounded(Decimal(100) * minutes(covered) / total, 1) if total > 0 else Why.NOT_YET
        return Stretch(
            name=name,
            start=start,
            end=stop,
            running=end is None or now < end,
            minutes=total,
            covered_min=minutes(covered),
            covered_percent=share,
            full_rounds=bisect_right(rounds, stop) - bisect_left(rounds, start),
            longest_gap_min=minutes(longest[0]),
            longest_gap_start=longest[1],
            longest_gap_end=longest[2],
            longest_gap_uncovered_min=minutes(longest[3]),
            gaps=tuple(gaps),
        )


def _segments(phases: list[Phase]) -> tuple[list[datetime], list[Phase | None]]:
    """Return the moments at which the tightest phase changes, and which it is from there on."""
    turns = [(one.start, 1, one) for one in phases]
    turns += [(one.end, 0, one) for one in phases if one.end is not None]
    turns.sort(key=lambda turn: turn[:2])
    active: dict[Decimal, list[Phase]] = {}
    cuts: list[datetime] = []
    tightest: list[Phase | None] = []
    for at, begins, phase in turns:
        group = active.setdefault(phase.every.value, [])
        if begins:
            group.append(phase)
        else:
            group.remove(phase)
            if not group:
                del active[phase.every.value]
        first = active[min(active)][-1] if active else None
        if cuts and cuts[-1] == at:
            tightest[-1] = first
        else:
            cuts.append(at)
            tightest.append(first)
    return cuts, tightest


def _starts(all_balloons: tuple[Balloon, ...]) -> list[datetime]:
    """Return the moments a watch begins with somebody at the bedside: first filling ended, balloon out."""
    starts = [one for balloon in all_balloons for one in (watch_start(balloon), balloon.out.at)]
    return [one for one in starts if isinstance(one, datetime)]


def _wanted(view: View, all_balloons: tuple[Balloon, ...]) -> list[tuple[str, datetime, datetime | None]]:
    """Return the stretches the report speaks of."""
    first = next((one for one in map(watch_start, all_balloons) if isinstance(one, datetime)), None)
    wanted: list[tuple[str, datetime, datetime | None]] = []
    if first is not None:
        wanted.append(("first-two-hours", first, first + view.protocol.of("watch.report_first_min").duration))
    for balloon in all_balloons:
        start = watch_start(balloon)
        if isinstance(start, datetime):
            end = watch_end(balloon)
            wanted.append((f"balloon-{balloon.n}", start, end))
        wanted += [
            (
                f"balloon-{balloon.n}-trial-{one.n}",
                one.start,
                one.end if isinstance(one.end, datetime) else None,
            )
            for one in balloon.trials
        ]
        if isinstance(balloon.out.at, datetime) and balloon.state != "in-at-death":
            until = balloon.out.at + view.protocol.of("watch.after_removal_for_min").duration
            wanted.append((f"after-balloon-{balloon.n}", balloon.out.at, until))
    wanted += [("journey", start, end) for start, end in journeys(view)]
    return wanted
