"""What each blood-loss entry adds: readings of a collector count by difference, stated totals never add."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from fhirmod.episode import BloodLoss, Entry

from .why import number

Problem = Literal["negative-net", "collector-dropped", "amount-absent"]
_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True)
class Added:
    """What one entry adds to the loss: millilitres, or the problem that keeps it from adding."""

    entry: BloodLoss
    ml: Decimal | None
    problem: Problem | None = None

    @property
    def visual(self) -> bool:
        """Return whether it was estimated by eye; everything else is kept as measured."""
        return self.entry.method == "visual"


def mass_to_volume_ml(mass_g: Decimal, density_g_per_ml: Decimal = Decimal(1)) -> Decimal:
    """Return the volume of a weighed loss: the mass divided by the density.

    Units:  g and g/mL in, mL out; by convention 1 g is 1 mL (density 1).
    Errors: none; a density of 0 raises decimal.DivisionByZero.
    Source: sources.AWHONN_QBL for the convention, sources.BLOOD_DENSITY for 1.06 g/mL.

    >>> round(mass_to_volume_ml(Decimal(500), Decimal("1.06")), 1)
    Decimal('471.7')
    """
    return mass_g / density_g_per_ml


def net_loss_ml(entry: BloodLoss) -> Decimal | None:
    """Return the blood in this entry's reading: without dry weight and other fluid; None if not a number.

    Units:  mL; 1 g is 1 mL by convention.
    Errors: none; below zero is an error of the record and is returned as it is, never clamped.
    Source: sources.AWHONN_QBL.
    """
    gross = _gross_ml(entry)
    other = number(entry.other_fluid_ml)
    if gross is None or (entry.other_fluid_ml is not None and other is None):
        return None
    return gross - (other or _ZERO)


def added(entries: Iterable[Entry]) -> tuple[Added, ...]:
    """Return what each blood-loss entry adds, in the order given (that of time).

    Units:  mL.
    Shape:  stated totals are left out: they stand beside the ledger. `other_fluid_ml` of a collector's total
            is a total too and stands until the collector is emptied.
    Errors: none; what cannot add carries the problem instead of a number.
    Source: sources.AWHONN_QBL.
    """
    standing: dict[str, tuple[Decimal, Decimal]] = {}
    result = []
    for entry in entries:
        if not isinstance(entry, BloodLoss) or entry.reading == "stated-total":
            continue
        if entry.reading == "increment":
            if entry.volume_ml is not None or entry.weighed is not None:
                result.append(_increment(entry))
        elif entry.volume_ml is not None or entry.weighed is not None:
            result.append(_difference(entry, standing))
        if entry.emptied and entry.collector is not None:
            standing[entry.collector] = (_ZERO, _ZERO)
    return tuple(result)


def _increment(entry: BloodLoss) -> Added:
    net = net_loss_ml(entry)
    if net is None:
        return Added(entry, None, "amount-absent")
    return Added(entry, None, "negative-net") if net < 0 else Added(entry, net)


def _difference(entry: BloodLoss, standing: dict[str, tuple[Decimal, Decimal]]) -> Added:
    gross = _gross_ml(entry)
    if gross is None:
        return Added(entry, None, "amount-absent")
    name = entry.collector or ""
    before, other_before = standing.get(name, (_ZERO, _ZERO))
    other = number(entry.other_fluid_ml)
    if other is None:
        other = other_before
    standing[name] = (gross, other)
    if gross < before:
        return Added(entry, None, "collector-dropped")
    net = (gross - before) - (other - other_before)
    return Added(entry, None, "negative-net") if net < 0 else Added(entry, net)


def _gross_ml(entry: BloodLoss) -> Decimal | None:
    if entry.weighed is None:
        return number(entry.volume_ml)
    wet, dry, items = (
        number(entry.weighed.wet_g),
        number(entry.weighed.dry_g_each),
        number(entry.weighed.items),
    )
    if wet is None or dry is None or items is None:
        return None
    return mass_to_volume_ml(wet - dry * items)
