"""How much urine came over which time, and how long it stayed under a rate."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from fhirmod.episode import Urine

from .collected import Collected
from .when import when
from .why import number

_LONGEST_MIN = 1_000_000  # about two years: longer is a slip of the record, and no clock could hold it


@dataclass(frozen=True, slots=True)
class Period:
    """Urine gathered between two moments.

    Units:  mL.
    """

    start: datetime
    end: datetime
    ml: Decimal

    def below(self, ml_per_h: Decimal) -> bool:
        """Return whether the rate is under so many mL/h, compared without dividing.

        Units:  mL/h.
        """
        seconds = Decimal((self.end - self.start) // timedelta(seconds=1))
        return self.ml * 3600 < ml_per_h * seconds


def periods(items: Iterable[Collected[Urine]]) -> tuple[Period, ...]:
    """Return the periods whose length is recorded: by `over_min`, or since the collector's reading before.

    Units:  mL.
    """
    result = []
    for item in items:
        over = number(item.entry.over_min)
        if over is not None and over > _LONGEST_MIN:
            continue
        end = when(item.entry)
        start = item.since if over is None else end - timedelta(minutes=float(over))
        if item.ml is not None and start is not None and start < end:
            result.append(Period(start, end, item.ml))
    return tuple(result)


def low_stretches(all_periods: Iterable[Period], ml_per_h: Decimal) -> list[timedelta]:
    """Return the lengths of the unbroken stretches under a rate; the last is zero unless it reaches the last period.

    Units:  mL/h.
    Shape: two periods are unbroken when one begins where the other ends.
    """
    stretches = [timedelta()]
    end: datetime | None = None
    for period in all_periods:
        if not period.below(ml_per_h):
            stretches.append(timedelta())
        elif end is not None and period.start == end and stretches[-1]:
            stretches[-1] += period.end - period.start
        else:
            stretches.append(period.end - period.start)
        end = period.end
    return stretches


def longest_covered(all_periods: Iterable[Period]) -> timedelta:
    """Return the longest time without a gap in which urine is known, whatever its rate."""
    longest = timedelta()
    begun: datetime | None = None
    until: datetime | None = None
    for period in sorted(all_periods, key=lambda one: one.start):
        if begun is None or until is None or period.start > until:
            begun, until = period.start, period.end
        until = max(until, period.end)
        longest = max(longest, until - begun)
    return longest
