"""Deflation trials: each opens with a withdrawal made for it (or its start entry) and ends in one word."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Literal

from fhirmod.episode import (
    BleedingResponse,
    DeflationTrial,
    Entry,
    Expulsion,
    Fill,
    FollowUp,
    Outcome,
    Removal,
    Withdrawal,
)

from .ledger import died
from .when import minutes, when
from .why import Why, number

Result = Literal["running", "no-bleeding-seen", "bleeding-returned", "interrupted", "result-not-recorded"]
TRIAL_KINDS = frozenset(
    {
        "withdrawal",
        "deflation-trial",
        "bleeding-response",
        "fill",
        "removal",
        "expulsion",
        "outcome",
        "follow-up",
    }
)


@dataclass(frozen=True, slots=True)
class Trial:
    """One deflation trial; a later refill never overwrites it.

    Units:  mL and min.
    """

    n: int
    start: datetime
    result: Result
    end: datetime | Why
    watched_min: Decimal | Why
    let_out_ml: Decimal | Why


class _Open:
    """The trial that runs at this point of the pass."""

    def __init__(self, start: datetime) -> None:
        self.start = start
        self.ml: Decimal | Why = Why.NOT_RECORDED
        self.quiet: datetime | None = None

    def let_out(self, ml: Decimal | None) -> None:
        if ml is None:
            self.ml = Why.NOT_KNOWN
        elif self.ml is Why.NOT_RECORDED:
            self.ml = ml
        elif isinstance(self.ml, Decimal):
            self.ml += ml

    def ended(self, n: int, result: Result, end: datetime) -> Trial:
        return Trial(n, self.start, result, end, minutes(end - self.start), self.ml)


def trials(entries: Iterable[Entry], now: datetime | None = None) -> tuple[Trial, ...]:
    """Return every trial in order, from standing entries in order of time.

    Units:  mL and min.
    Shape: a running trial's minutes count to `now`; a result whose beginning nobody recorded is a trial of 0 min.
    Source: sources.PRACTICE.
    """
    done: list[Trial] = []
    running: _Open | None = None
    for entry in entries:
        if entry.kind not in TRIAL_KINDS:
            continue
        at = when(entry)
        if running is None:
            running = _opened(entry, at)
            if running is None and not done and isinstance(entry, DeflationTrial) and isinstance(entry.result, str):
                done.append(_Open(at).ended(1, entry.result, at))
            continue
        end = _ended(running, entry, at)
        if end is not None:
            done.append(running.ended(len(done) + 1, *end))
            running = None
    if running is not None:
        so_far = Why.NOT_APPLICABLE if now is None else minutes(max(now, running.start) - running.start)
        done.append(Trial(len(done) + 1, running.start, "running", Why.NOT_YET, so_far, running.ml))
    return tuple(done)


def _opened(entry: Entry, at: datetime) -> _Open | None:
    if isinstance(entry, DeflationTrial) and entry.step == "start":
        return _Open(at)
    if isinstance(entry, Withdrawal) and entry.purpose == "trial" and entry.compartment == "cavity":
        opened = _Open(at)
        opened.let_out(number(entry.volume_ml))
        return opened
    return None


def _ended(running: _Open, entry: Entry, at: datetime) -> tuple[Result, datetime] | None:
    """Return the result and time if this entry ends the running trial."""
    quiet = running.quiet
    last: tuple[Result, datetime] = ("result-not-recorded", at) if quiet is None else ("no-bleeding-seen", quiet)
    match entry:
        case DeflationTrial(step="end"):
            result = entry.result
            if isinstance(result, str):
                return result, at
            return ("no-bleeding-seen" if quiet is not None else "result-not-recorded"), at
        case BleedingResponse():
            if entry.response in ("returned", "not-stopped"):
                return "bleeding-returned", at
            if entry.response == "stopped":
                running.quiet = at
            return None
        case Withdrawal(compartment="cavity"):
            if entry.purpose == "trial":
                running.let_out(number(entry.volume_ml))
                return None
            return last if entry.purpose == "emptying" else None
        case Fill(compartment="cavity") | Expulsion():
            return "interrupted", at
        case Removal():
            return last
        case Outcome() | FollowUp():
            return ("interrupted", at) if died(entry) else None
    return None


def trial_word(done: tuple[Trial, ...], *, out: bool, expelled: bool) -> str:
    """Return the trial's word: none, running n, a result, or not-done once it came out without one."""
    if done:
        last = done[-1]
        return f"running {last.n}" if last.result == "running" else last.result
    return "not-done" if out and not expelled else "none"
