"""What was given: fluids, blood and products, each drug, and which infusions run now."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirmod.episode import Fluid, Infusion, Medication, Rate, Transfusion

from .collected import Total, collected, total_of
from .view import View
from .when import minutes, when
from .why import Why, number

RED_CELLS = frozenset({"red-cells", "whole-blood"})


@dataclass(frozen=True, slots=True)
class Product:
    """One blood product.

    Units:  units and mL.
    Shape: a unit number without a count is one unit; `certainty` is "at-least" where a count is missing.
    """

    units: Decimal | Why
    ml: Decimal | Why
    certainty: str
    entries: int


@dataclass(frozen=True, slots=True)
class Running:
    """An infusion that runs now.

    Units:  min.
    """

    infusion: str
    what: str
    since: datetime
    for_min: Decimal
    rate: str


@dataclass(frozen=True, slots=True)
class Given:
    """The doses of one drug.

    Shape: `total` adds doses of one unit only ("10 [IU]"); `last_at` is the newest.
    """

    doses: int
    total: str
    first_at: datetime
    last_at: datetime


@dataclass(frozen=True, slots=True)
class Resuscitation:
    """Everything given up to the moment.

    Shape: `drugs` are single doses; `infused` names every drug given by infusion, running or stopped.
    """

    fluids: Total
    fluids_by_kind: dict[str, Total]
    products: dict[str, Product]
    red_cell_units: Decimal | Why
    running: tuple[Running, ...]
    drugs: dict[str, Given]
    infused: tuple[str, ...]
    not_given: tuple[str, ...]


def resuscitation(view: View) -> Resuscitation:
    """Return the totals of what was given and what runs now.

    Units:  mL, units, min.
    Errors: none; what runs when she died is listed as it ran then.
    Source: sources.ARITHMETIC.
    """
    fluids = collected(view.all(Fluid))
    kinds = sorted({item.entry.fluid for item in fluids})
    given = view.all(Transfusion)
    products = {name: _product([one for one in given if one.product == name]) for name in _names(given)}
    return Resuscitation(
        fluids=total_of(fluids),
        fluids_by_kind={kind: total_of(one for one in fluids if one.entry.fluid == kind) for kind in kinds},
        products=products,
        red_cell_units=_red_cells(products),
        running=running_infusions(view),
        drugs=_drugs(view),
        infused=tuple(sorted({one.drug_text or one.drug for one in view.all(Infusion) if one.drug is not None})),
        not_given=tuple(sorted({_drug(one) for one in view.all(Medication) if not one.given})),
    )


def units_of(entry: Transfusion) -> Decimal | None:
    """Return how many units an entry stands for, or None: a volume alone does not tell.

    Units:  units.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    units = number(entry.units)
    if units is not None or entry.units is not None:
        return units
    return Decimal(1) if entry.unit_number is not None else None


def _names(given: Iterable[Transfusion]) -> list[str]:
    return sorted({one.product for one in given})


def _product(given: list[Transfusion]) -> Product:
    units = [units_of(one) for one in given]
    volumes = [number(one.volume_ml) for one in given]
    known, known_ml = [one for one in units if one is not None], [one for one in volumes if one is not None]
    return Product(
        units=sum(known, Decimal(0)) if known else Why.NOT_RECORDED,
        ml=sum(known_ml, Decimal(0)) if known_ml else Why.NOT_RECORDED,
        certainty="as-recorded" if len(known) == len(units) else "at-least",
        entries=len(given),
    )


def _red_cells(products: dict[str, Product]) -> Decimal | Why:
    counts = [one.units for name, one in products.items() if name in RED_CELLS]
    known = [one for one in counts if isinstance(one, Decimal)]
    return sum(known, Decimal(0)) if known else (Why.NOT_KNOWN if counts else Why.NOT_RECORDED)


def running_infusions(view: View) -> tuple[Running, ...]:
    """Return the infusions that run at the moment, in order of their start.

    Units:  min.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    started: dict[str, tuple[Infusion, Rate | None]] = {}
    for step in view.all(Infusion):
        if when(step) > view.now:
            break
        if step.step == "stop":
            started.pop(step.infusion, None)
            continue
        first, rate = started.get(step.infusion, (step, None))
        started[step.infusion] = (first, step.rate or rate)
    return tuple(
        Running(name, _what(first), when(first), minutes(view.now - when(first)), _rate(rate))
        for name, (first, rate) in started.items()
    )


def _what(step: Infusion) -> str:
    return step.drug_text or step.drug or step.fluid or Why.NOT_RECORDED


def _rate(rate: Rate | None) -> str:
    return Why.NOT_RECORDED if rate is None else f"{rate.value} {rate.unit}"


def _drug(entry: Medication) -> str:
    return entry.drug_text or "other" if entry.drug == "other" else entry.drug


def _drugs(view: View) -> dict[str, Given]:
    groups: dict[str, list[Medication]] = {}
    for one in view.all(Medication):
        if one.given:
            groups.setdefault(_drug(one), []).append(one)
    return {
        name: Given(len(group), _total(group), when(group[0]), when(group[-1]))
        for name, group in sorted(groups.items())
    }


def _total(group: list[Medication]) -> str:
    doses = [one.dose for one in group]
    units = {dose.unit for dose in doses if dose is not None}
    if len(units) != 1 or None in doses:
        return Why.NOT_KNOWN if units else Why.NOT_RECORDED
    return f"{sum((dose.value for dose in doses if dose is not None), Decimal(0))} {units.pop()}"
