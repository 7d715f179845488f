"""When the bleeding was first reduced and first stopped under a balloon, and whether that held."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from fhirmod.episode import BleedingResponse, DeflationTrial, Entry

from .ledger import Ledger
from .volume import fill_ml
from .when import Anchor, minutes, when
from .why import Why

Held = Literal["still-held", "until-let-down", "until-out", "returned", "until-expelled"]
HOLDING: frozenset[Held] = frozenset({"still-held", "until-let-down", "until-out"})
STOP_KINDS = frozenset({"bleeding-response", "deflation-trial"})
FIFTEEN_MIN = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class FirstStop:
    """How the bleeding answered one balloon, counted from its first cavity fill.

    Units:  min.
    Shape: `time_to_first_stop_min` is never a number for a stop that did not hold; `held` says what ended it:
           let down (a trial or any withdrawal began), out, returned while it was filled, or expelled.
    """

    balloon: str
    anchor: Anchor
    first_reduced_min: Decimal | Why
    time_to_first_stop_min: Decimal | Why
    stopped_at: datetime | Why
    held: Held | Why
    held_until: datetime | Why
    held_min: Decimal | Why
    volume_at_stop_ml: Decimal | Why
    bleeding_at_15_min: str


def first_stop(ledger: Ledger, entries: Iterable[Entry], now: datetime | None = None) -> FirstStop:
    """Return how the bleeding answered this balloon, from standing entries in order of time.

    Units:  min.
    Shape: without `now` nothing depends on a clock: a stop that still holds has no `held_min`.
    Source: sources.PRACTICE (the measures); the counting is sources.ARITHMETIC.
    """
    anchor = Anchor.of("first-cavity-fill", ledger.first_fill)
    start = ledger.first_fill.instant if ledger.first_fill is not None else None
    if start is None:
        missing = anchor.entry if isinstance(anchor.entry, Why) else Why.NOT_KNOWN
        return FirstStop(ledger.id, anchor, *(missing,) * 7, missing)
    end = when(ledger.end[1]) if ledger.end is not None else None
    looks = [one for one in entries if isinstance(one, BleedingResponse) and isinstance(one.response, str)]
    looks = [one for one in looks if when(one) >= start and (end is None or when(one) <= end)]
    reduced = next((one for one in looks if one.response == "reduced"), None)
    stopped = next((one for one in looks if one.response == "stopped"), None)
    held, until = (Why.NOT_APPLICABLE, None) if stopped is None else _held(ledger, stopped, looks, entries)
    stop_min = _after(start, stopped)
    if isinstance(held, str) and held not in HOLDING and stopped is not None:
        stop_min = Why.DID_NOT_HOLD
    last = until if until is not None else (now if stopped is not None else None)
    return FirstStop(
        balloon=ledger.id,
        anchor=anchor,
        first_reduced_min=_after(start, reduced),
        time_to_first_stop_min=stop_min,
        stopped_at=Why.NOT_RECORDED if stopped is None else when(stopped),
        held=held,
        held_until=last if last is not None else Why.NOT_APPLICABLE,
        held_min=Why.NOT_APPLICABLE if last is None or stopped is None else minutes(last - when(stopped)),
        volume_at_stop_ml=Why.NOT_APPLICABLE if stopped is None else _volume_at(ledger, when(stopped)),
        bleeding_at_15_min=_at_15(start, looks, now, end),
    )


def _after(start: datetime, look: BleedingResponse | None) -> Decimal | Why:
    if look is None:
        return Why.NOT_RECORDED
    return Why.NOT_KNOWN if look.instant is None else minutes(look.instant - start)


def _held(
    ledger: Ledger, stopped: BleedingResponse, looks: list[BleedingResponse], entries: Iterable[Entry]
) -> tuple[Held, datetime | None]:
    """Return what ended the first stop, and when; None while it still holds."""
    since = when(stopped)
    ends: list[tuple[datetime, int, Held]] = []
    again = next((one for one in looks if one.response != "stopped" and when(one) > since), None)
    if again is not None:
        ends.append((when(again), 2, "returned"))
    let_down = [when(one) for one in ledger.withdrawals if when(one) >= since]
    let_down += [
        when(one) for one in entries if isinstance(one, DeflationTrial) and one.step == "start" and when(one) >= since
    ]
    if let_down:
        ends.append((min(let_down), 0, "until-let-down"))
    if ledger.end is not None and when(ledger.end[1]) >= since:
        way: Held = "until-expelled" if ledger.end[0] == "expelled" else "until-out"
        ends.append((when(ledger.end[1]), 1, way))
    if not ends:
        return "still-held", None
    at, _, held = min(ends, key=lambda one: one[:2])
    return held, at


def _volume_at(ledger: Ledger, at: datetime) -> Decimal | Why:
    """Return the recorded cavity volume at an instant while filling, if every fill was in millilitres."""
    total = Decimal(0)
    if ledger.elsewhere or any(when(one) <= at for one in ledger.withdrawals):
        return Why.NOT_ASSESSABLE
    for fill in ledger.fills:
        if when(fill) <= at:
            ml = fill_ml(fill)
            if ml is None:
                return Why.NOT_KNOWN
            total += ml
    return total


def _at_15(start: datetime, looks: list[BleedingResponse], now: datetime | None, end: datetime | None) -> str:
    """Return the last word seen up to 15 minutes after the anchor."""
    if end is not None and end < start + FIFTEEN_MIN:
        return Why.NOT_APPLICABLE
    if now is not None and now < start + FIFTEEN_MIN:
        return Why.NOT_YET
    seen = [str(one.response) for one in looks if when(one) <= start + FIFTEEN_MIN]
    return seen[-1] if seen else Why.NOT_RECORDED
