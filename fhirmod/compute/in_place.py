"""How long a balloon was in place altogether, and how long the breaks between balloons were."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from .balloons import Balloon
from .view import View
from .when import minutes
from .why import Why


@dataclass(frozen=True, slots=True)
class InPlace:
    """All balloons together.

    Units:  min.
    Shape: `minutes` is the sum of the times in place; breaks lie between one coming out and the next placed.
    """

    balloons: int
    minutes: Decimal | Why
    breaks: tuple[Decimal, ...]
    longest_break_min: Decimal | Why


def in_place(view: View, all_balloons: tuple[Balloon, ...]) -> InPlace:
    """Return the time with a balloon in place, over all balloons, to their ends or to now.

    Units:  min.
    Errors: none; one unknown time makes the sum not known.
    Source: sources.ARITHMETIC.
    """
    total, known = timedelta(), True
    breaks: list[timedelta] = []
    last_out: datetime | None = None
    for balloon in all_balloons:
        start = balloon.placed.at
        end = balloon.out.at if isinstance(balloon.out.at, datetime) else (view.now if balloon.in_place else None)
        if isinstance(start, datetime) and end is not None:
            total += max(end - start, timedelta())
        else:
            known = False
        if last_out is not None and isinstance(start, datetime) and start >= last_out:
            breaks.append(start - last_out)
        last_out = end
    if not all_balloons:
        return InPlace(0, Why.NOT_APPLICABLE, (), Why.NOT_APPLICABLE)
    return InPlace(
        balloons=len(all_balloons),
        minutes=minutes(total) if known else Why.NOT_KNOWN,
        breaks=tuple(minutes(one) for one in breaks),
        longest_break_min=minutes(max(breaks)) if breaks else Why.NOT_APPLICABLE,
    )
