"""Urine and fluid volumes: increments add, a collector's readings count by difference, stated totals never add."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Generic, TypeVar

from fhirmod.episode import Fluid, Urine

from .when import when
from .why import Why, number

K = TypeVar("K", Urine, Fluid)
_ZERO = Decimal(0)
_NOTHING: tuple[Decimal, datetime | None] = (_ZERO, None)


@dataclass(frozen=True, slots=True)
class Collected(Generic[K]):
    """What one entry adds, and since when it gathered if that follows from the reading before.

    Units:  mL; None where the amount is absent or the collector's reading dropped without being emptied.
    """

    entry: K
    ml: Decimal | None
    since: datetime | None


@dataclass(frozen=True, slots=True)
class Total:
    """A total of volumes.

    Units:  mL.
    Shape: `certainty` is "as-recorded", or "at-least" when an amount in it was absent or unusable.
    """

    ml: Decimal | Why
    certainty: str
    entries: int


def collected(entries: Iterable[K]) -> list[Collected[K]]:
    """Return what each entry adds, in order of time.

    Units:  mL.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    standing: dict[str, tuple[Decimal, datetime | None]] = {}
    result: list[Collected[K]] = []
    for entry in entries:
        ml = number(entry.volume_ml)
        if entry.reading == "increment":
            result.append(Collected(entry, ml, None))
        elif entry.reading == "collector-total" and (ml is not None or not entry.emptied):
            before, since = standing.get(entry.collector or "", _NOTHING)
            more = None if ml is None or ml < before else ml - before
            result.append(Collected(entry, more, since))
            if ml is not None:
                standing[entry.collector or ""] = (ml, when(entry))
        if entry.emptied and entry.collector is not None:
            standing[entry.collector] = (_ZERO, when(entry))
    return result


def total_of(items: Iterable[Collected[K]]) -> Total:
    """Return the total; nothing recorded is not zero.

    Units:  mL.
    """
    ml, count, known = _ZERO, 0, 0
    for item in items:
        count += 1
        if item.ml is not None:
            known += 1
            ml += item.ml
    if not count:
        return Total(Why.NOT_RECORDED, Why.NOT_RECORDED, 0)
    return Total(ml if known else Why.NOT_KNOWN, "as-recorded" if known == count else "at-least", count)
