"""What is due by the site's protocol, as windows that entries open, move and close; no clock.

::

    round          the next full round: due, to due and tolerance; moved by every full round
    tamponade      a look at the bleeding after the first filling
    trial          the result of the deflation trial that runs
    removal        taking the balloon out: earliest to latest time in place
    after-removal  the watch once a balloon is out

What is overdue is computed on read (`watch`). Nothing about drugs is here: their windows are checks of the record.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

from fhirmod.episode import BleedingResponse, Entry, Protocol, Threshold

from .balloons import Balloon, balloons
from .closure import closure
from .custody import Copy
from .ledger import Ledger
from .phases import watch_end
from .view import View
from .watch import WATCH_KINDS, Schedule, schedule_of
from .when import when

DueKind = Literal["round", "tamponade", "trial", "removal", "after-removal"]
Stands = Literal["requested", "completed", "cancelled"]
DUE_KINDS = WATCH_KINDS | {"opening", "custody", "sign-off", "outcome", "follow-up"}
_NEVER = datetime.max.replace(tzinfo=UTC)
_LOOKED = ("stopped", "reduced", "not-stopped", "returned")


@dataclass(frozen=True, slots=True)
class Due:
    """One thing that is, or was, due.

    Shape: `placement` is the entry that opened the balloon it is about, None for a round; from `start` to `end` is
           the protocol's window; `since` what it counts from; `why` says why it was cancelled: died |
           other-facility | record-closed | expelled | another-placed | balloon-out | interrupted |
           result-not-recorded. `done` is when it was met.
    """

    kind: DueKind
    placement: str | None
    since: datetime
    start: datetime
    end: datetime
    status: Stands
    why: str | None
    done: datetime | None
    thresholds: tuple[Threshold, ...]


def due_items(
    episode: str, entries: tuple[Entry, ...], protocol: Protocol, heads: Mapping[str, str], copy: Copy
) -> tuple[Due, ...]:
    """Return everything due by the protocol, from standing entries in order of time; the same at any time.

    Units:  none; windows are instants with offset.
    Shape: one for each kind and balloon, and one round for the episode; none before a balloon is in. What would be
           requested is cancelled on a copy that is not the custodian's, after her death, and once the record is closed.
    Errors: none.
    Source: the site protocol's thresholds, each with its own.
    """
    view = View(episode, entries, _NEVER, None, protocol, heads)
    all_balloons = balloons(view)
    if not all_balloons:
        return ()
    schedule = schedule_of(view, all_balloons)
    found: list[Due | None] = [_round(view, schedule)]
    for number, (balloon, ledger) in enumerate(zip(all_balloons, view.ledgers.balloons, strict=True), start=1):
        following = all_balloons[number].placed.at if number < len(all_balloons) else None
        found += [
            _tamponade(view, balloon, ledger),
            _trial(view, balloon),
            _removal(view, balloon, ledger),
            _after_removal(view, balloon, schedule, following),
        ]
    stopped = _stopped(view, copy)
    return tuple(one if stopped is None else _cancelled(one, stopped) for one in found if one is not None)


def _stopped(view: View, copy: Copy) -> str | None:
    """Return why nothing is due any more, or None."""
    if view.death is not None:
        return "died"
    if copy.word == "last-known":
        return "other-facility"
    return "record-closed" if closure(view.entries).word == "closed" else None


def _cancelled(due: Due, why: str) -> Due:
    if due.status != "requested":
        return due
    return Due(due.kind, due.placement, due.since, due.start, due.end, "cancelled", why, None, due.thresholds)


def _made(
    kind: DueKind,
    placement: str | None,
    window: tuple[datetime, datetime, datetime],
    thresholds: tuple[Threshold, ...],
    *,
    done: datetime | None = None,
    why: str | None = None,
) -> Due:
    status: Stands = "completed" if done is not None else "requested" if why is None else "cancelled"
    return Due(kind, placement, *window, status, why if done is None else None, done, thresholds)


def _round(view: View, schedule: Schedule) -> Due | None:
    """Return the next full round; completed when the watch ends before another is due."""
    if not schedule.looks:
        return None
    tolerance = view.protocol.of("watch.tolerance_min")
    look = schedule.looks[-1]
    due, phase = schedule.next_after(look)
    if due is None:
        last = schedule.phase_before(look)
        if last is None:
            return None
        return _made("round", None, (look, look, look), (last.every, tolerance), done=look)
    assert phase is not None
    return _made("round", None, (look, due, due + tolerance.duration), (phase.every, tolerance))


def _tamponade(view: View, balloon: Balloon, ledger: Ledger) -> Due | None:
    """Return the look at the bleeding after the first filling: met by a stop, or by any look once the window opens."""
    first = ledger.first_fill
    if first is None or first.instant is None:
        return None
    low, high = view.protocol.of("decision.tamponade_low_min"), view.protocol.of("decision.tamponade_high_min")
    since = first.instant
    window = (since, since + low.duration, since + high.duration)
    ended = watch_end(balloon)
    for look in view.all(BleedingResponse):
        at = when(look)
        if at < since or look.response not in _LOOKED:
            continue
        if ended is not None and at > ended:
            break
        if look.response == "stopped" or at >= window[1]:
            return _made("tamponade", balloon.placement, window, (low, high), done=at)
    out = not balloon.in_place
    return _made("tamponade", balloon.placement, window, (low, high), why="balloon-out" if out else None)


def _trial(view: View, balloon: Balloon) -> Due | None:
    """Return the watch of the last trial: met when it ended with what was seen."""
    if not balloon.trials:
        return None
    last = balloon.trials[-1]
    low, high = view.protocol.of("trial.watch_low_min"), view.protocol.of("trial.watch_high_min")
    window = (last.start, last.start + low.duration, last.start + high.duration)
    seen = last.result in ("no-bleeding-seen", "bleeding-returned")
    done = last.end if seen and isinstance(last.end, datetime) else None
    why = None if last.result == "running" else last.result
    return _made("trial", balloon.placement, window, (low, high), done=done, why=why)


def _removal(view: View, balloon: Balloon, ledger: Ledger) -> Due | None:
    """Return the window in which the balloon is to come out; none where nobody knows when it was placed."""
    placed = balloon.placed.at
    if not isinstance(placed, datetime):
        return None
    low, high = view.protocol.of("dwell.earliest_h"), view.protocol.of("dwell.latest_h")
    window = (placed, placed + low.duration, placed + high.duration)
    if ledger.end is not None and ledger.end[0] == "expelled":
        return _made("removal", balloon.placement, window, (low, high), why="expelled")
    done = when(ledger.end[1]) if ledger.out and ledger.end is not None else None
    why = "another-placed" if ledger.superseded is not None else None
    return _made("removal", balloon.placement, window, (low, high), done=done, why=why)


def _after_removal(view: View, balloon: Balloon, schedule: Schedule, following: object) -> Due | None:
    """Return the watch once this balloon is out: met by the round after which none is due inside it.

    Shape: the watch of a balloon placed before that (`following`) takes its place.
    """
    out = balloon.out.at
    if not isinstance(out, datetime) or balloon.state == "in-at-death":
        return None
    lasts, every = view.protocol.of("watch.after_removal_for_min"), view.protocol.of("watch.every_min.after_removal")
    end = out + lasts.duration
    if lasts.duration <= timedelta():
        return None
    done = next((look for look in schedule.looks if look > out and look + every.duration > end), None)
    if isinstance(following, datetime) and following < (end if done is None else done):
        return _made("after-removal", balloon.placement, (out, out, end), (lasts, every), why="another-placed")
    return _made("after-removal", balloon.placement, (out, out, end), (lasts, every), done=done)
