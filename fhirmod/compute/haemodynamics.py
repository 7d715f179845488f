"""Shock index, mean arterial and pulse pressure of one set of vital signs; compared before any rounding."""

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from fhirmod.episode import VitalSigns
from fhirmod.errors import NotComputableError

from .why import number


def shock_index(pulse_per_min: Decimal, systolic_mmhg: Decimal) -> Decimal:
    """Return heart rate over systolic pressure, unrounded (28 digits).

    Units:  /min and mm[Hg] in; a plain ratio out.
    Errors: NotComputableError if the systolic pressure is zero: that is a state of its own, not a number.
    Source: sources.NATHAN_2015.

    >>> round(shock_index(Decimal(124), Decimal(92)), 3)
    Decimal('1.348')
    """
    if systolic_mmhg == 0:
        raise NotComputableError("The shock index needs a systolic pressure above 0 mm[Hg]; got 0.")
    return pulse_per_min / systolic_mmhg


def mean_arterial_pressure(systolic_mmhg: Decimal, diastolic_mmhg: Decimal) -> Decimal:
    """Return (systolic + 2 diastolic) / 3, unrounded.

    Units:  mm[Hg] in and out.
    Errors: none; a palpated pressure has no diastolic and so no mean.
    Source: sources.NATHAN_2016.

    >>> mean_arterial_pressure(Decimal(120), Decimal(75))
    Decimal('90')
    """
    return (systolic_mmhg + 2 * diastolic_mmhg) / 3


def pulse_pressure(systolic_mmhg: Decimal, diastolic_mmhg: Decimal) -> Decimal:
    """Return systolic minus diastolic pressure.

    Units:  mm[Hg] in and out.
    Errors: none; below zero means the two were swapped in the record.
    Source: sources.NATHAN_2015.
    """
    return systolic_mmhg - diastolic_mmhg


def at_least_ratio(above: Decimal, below: Decimal, threshold: Decimal) -> bool:
    """Return whether above / below >= threshold, in whole numbers, with no division and no rounding.

    Units:  any two of the same set; the threshold is their plain ratio.
    Errors: NotComputableError if `below` is zero.
    Source: sources.ARITHMETIC (rounding to two decimals first mis-flags 144 pairs at 0.9).

    >>> [at_least_ratio(Decimal(pulse), Decimal(110), Decimal("0.9")) for pulse in (99, 98)]
    [True, False]
    """
    if below == 0:
        raise NotComputableError("A ratio needs a number above 0 below the line; got 0.")
    return Fraction(above) >= Fraction(threshold) * Fraction(below)


@dataclass(frozen=True, slots=True)
class LocalMeasure:
    """A value of one set of vital signs: its key, unit, and how it follows from that entry alone, unrounded."""

    key: str
    unit: str
    of: Callable[[VitalSigns], Decimal | None]


def _shock_index(signs: VitalSigns) -> Decimal | None:
    pulse, systolic = number(signs.pulse_per_min), number(signs.systolic_mmhg)
    return None if pulse is None or not systolic else shock_index(pulse, systolic)


def _mean(signs: VitalSigns) -> Decimal | None:
    systolic, diastolic = number(signs.systolic_mmhg), number(signs.diastolic_mmhg)
    if not systolic or diastolic is None:
        return None
    return mean_arterial_pressure(systolic, diastolic)


def _pulse_pressure(signs: VitalSigns) -> Decimal | None:
    systolic, diastolic = number(signs.systolic_mmhg), number(signs.diastolic_mmhg)
    return None if not systolic or diastolic is None else pulse_pressure(systolic, diastolic)


LOCAL_MEASURES: tuple[LocalMeasure, ...] = (
    LocalMeasure("shock-index", "{ratio}", _shock_index),
    LocalMeasure("mean-arterial-pressure", "mm[Hg]", _mean),
    LocalMeasure("pulse-pressure", "mm[Hg]", _pulse_pressure),
)
