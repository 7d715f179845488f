"""When an entry happened, and how long lies between two of them: with ranges, and with the order said."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Literal

from fhirmod.episode import Entry, order_of

from .why import Why, rounded

Order = Literal["determined", "not-determined", "reversed"]


def when(entry: Entry) -> datetime:
    """Return the instant an entry is placed at in the order of the record (`fhirmod.episode.order_of`).

    Units:  an instant with offset.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    return entry.instant or order_of(entry)[0]


def minutes(span: timedelta) -> Decimal:
    """Return a time span in minutes, exact where it ends within two decimals, else rounded to two.

    Units:  min out.
    Errors: none.
    Source: sources.ARITHMETIC.

    >>> minutes(timedelta(minutes=7)), minutes(timedelta(seconds=100))
    (Decimal('7'), Decimal('1.67'))
    """
    micros = (span.days * 86_400 + span.seconds) * 1_000_000 + span.microseconds
    whole, rest = divmod(micros, 60_000_000)
    return Decimal(whole) if rest == 0 else rounded(Decimal(micros) / 60_000_000, 2)


@dataclass(frozen=True, slots=True)
class Anchor:
    """One end of an interval: what it is, which entry says so, and the time as far as it is known."""

    name: str
    entry: str | Why
    at: datetime | Why

    @classmethod
    def of(cls, name: str, entry: Entry | None, missing: Why = Why.NOT_RECORDED) -> "Anchor":
        """Return the anchor an entry gives, or one that says why there is none."""
        if entry is None:
            return cls(name, missing, missing)
        return cls(name, entry.id, entry.instant or (Why.NOT_KNOWN if entry.span is None else Why.INCOMPLETE))


@dataclass(frozen=True, slots=True)
class Interval:
    """The time between two named anchors.

    Units:  min.
    Shape: `minutes` is the stated difference, `at_least_min` to `at_most_min` what the recorded ranges allow;
           `order` is "not-determined" where the ranges overlap, "reversed" where the end precedes the start.
    """

    name: str
    start: Anchor
    end: Anchor
    minutes: Decimal | Why
    at_least_min: Decimal | Why
    at_most_min: Decimal | Why
    order: Order | Why


def interval(name: str, start: Anchor, end: Anchor, first: Entry | None, last: Entry | None) -> Interval:
    """Return the interval between the entries behind two anchors.

    Units:  min.
    Errors: none; a missing or unknown time gives the reason in place of the number.
    Source: sources.ARITHMETIC.
    """
    if first is None or last is None:
        why = next((a.entry for a in (start, end) if isinstance(a.entry, Why)), Why.NOT_RECORDED)
        return Interval(name, start, end, why, why, why, why)
    if first.span is None or last.span is None:
        return Interval(name, start, end, *(Why.NOT_KNOWN,) * 4)
    least, most = last.span[0] - first.span[1], last.span[1] - first.span[0]
    if first.instant is not None and last.instant is not None:
        stated: Decimal | Why = minutes(last.instant - first.instant)
    else:
        stated = Why.INCOMPLETE
    zero = timedelta()
    order: Order = "determined" if least >= zero else ("reversed" if most < zero else "not-determined")
    return Interval(name, start, end, stated, minutes(least), minutes(most), order)


def between(name: str, start: tuple[str, Entry | None], end: tuple[str, Entry | None]) -> Interval:
    """Return the interval between two entries, each given with the name of the anchor it is.

    Units:  min.
    """
    return interval(name, Anchor.of(*start), Anchor.of(*end), start[1], end[1])


def interval_to(name: str, start: Anchor, first: Entry, end: Anchor, now: datetime) -> Interval:
    """Return the interval from an entry to a moment of the clock.

    Units:  min.
    Errors: none; an unknown time gives the reason in place of the number.
    """
    if first.span is None:
        return Interval(name, start, end, *(Why.NOT_KNOWN,) * 4)
    stated = minutes(now - first.instant) if first.instant is not None else Why.INCOMPLETE
    return Interval(name, start, end, stated, minutes(now - first.span[1]), minutes(now - first.span[0]), "determined")
