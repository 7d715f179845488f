"""Rules about drugs, blood and infusions: whether what is recorded is plausible, never what dose would be right."""

from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import number, running_infusions, txa_doses, units_of, when
from fhirmod.episode import Dose, Infusion, Medication, Transfusion
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Told, at, rule
from fhirmod.validation.words import clock, lasting, shown

_UNITS = {
    "oxytocin": ("[IU]",),
    "carbetocin": ("ug", "mg"),
    "misoprostol": ("ug",),
    "ergometrine": ("ug", "mg"),
    "methylergometrine": ("ug", "mg"),
    "carboprost": ("ug", "mg"),
    "tranexamic-acid": ("g", "mg"),
}
_IN_MG = {"g": Decimal(1000), "mg": Decimal(1), "ug": Decimal("0.001")}


@rule("dose-unit", "soon", "warning", source=sources.PRACTICE)
def dose_unit(facts: Facts) -> Told:
    """A dose in a unit its drug is not measured in, such as oxytocin in mg."""
    doses: list[tuple[Medication | Infusion, Dose | None]] = [
        (one, one.dose) for one in facts.all(Medication) if one.given
    ]
    doses += [(one, one.amount) for one in facts.all(Infusion)]
    for one, dose in doses:
        usual = _UNITS.get(one.drug or "")
        if dose is not None and usual is not None and dose.unit not in (*usual, "mL"):
            yield (
                at(one, "dose"),
                (
                    f"A dose of {one.drug} is recorded as {shown(dose.value)} {dose.unit}; it is measured in "
                    f"{' or '.join(usual)}."
                ),
            )


@rule("txa-dose", "soon", "information", source=sources.WHO_2017_TXA, parameters=("txa.dose_g",))
def txa_dose(facts: Facts) -> Told:
    """A dose of tranexamic acid recorded with another amount than the one of the recommendation."""
    usual = facts.of("txa.dose_g")
    for one in facts.all(Medication):
        amount = None if one.dose is None else _mg(one.dose)
        if one.drug == "tranexamic-acid" and one.given and amount is not None and amount != usual.value * 1000:
            dose = "" if one.dose is None else f"{shown(one.dose.value)} {one.dose.unit}"
            yield (
                at(one, "dose"),
                (
                    f"A dose of tranexamic acid is recorded as {dose}; the recommendation's dose is "
                    f"{shown(usual.value)} g."
                ),
            )


def _mg(dose: Dose) -> Decimal | None:
    return dose.value * _IN_MG[dose.unit] if dose.unit in _IN_MG else None


@rule(
    "txa-second", "soon", "information", source=sources.WHO_2017_TXA,
    parameters=("txa.second_from_min", "txa.second_until_min"),
)  # fmt: skip
def txa_second(facts: Facts) -> Told:
    """A second dose of tranexamic acid outside its window after the first: another dose, or one recorded twice."""
    word = facts.txa.second_window.word
    if word in ("early", "late"):
        first, second = txa_doses(facts.view)[:2]
        low, high = facts.of("txa.second_from_min"), facts.of("txa.second_until_min")
        yield (
            at(second, "at"),
            (
                f"The second dose of tranexamic acid is recorded {lasting(when(first), when(second))} after the "
                f"first; the window is {shown(low.value)} to {shown(high.value)} min."
            ),
        )


@rule(
    "carboprost-repeated", "soon", "warning", source=sources.PRACTICE,
    parameters=("carboprost.apart_min", "carboprost.total_mg"),
)  # fmt: skip
def carboprost_repeated(facts: Facts) -> Told:
    """Doses of carboprost recorded closer together than the site's interval, or above its total."""
    doses = [one for one in facts.all(Medication) if one.drug == "carboprost" and one.given]
    apart, most = facts.of("carboprost.apart_min"), facts.of("carboprost.total_mg")
    total = Decimal(0)
    for number_, one in enumerate(doses):
        before = doses[number_ - 1] if number_ else None
        dose = (_mg(one.dose) if one.dose is not None else None) or Decimal(0)
        total += dose
        if before is not None and when(one) - when(before) < apart.duration:
            yield (
                at(one, "at"),
                (
                    f"Doses of carboprost are recorded at {clock(when(before), facts)} and "
                    f"{clock(when(one), facts)}, less than {shown(apart.value)} min apart."
                ),
            )
        if total - dose <= most.value < total:
            yield (
                at(one, "dose"),
                f"Carboprost is recorded to a total of {shown(total)} mg, above {shown(most.value)} mg.",
            )


@rule(
    "unit-volume", "soon", "information", source=sources.PRACTICE,
    parameters=("plausible.unit_low_ml", "plausible.unit_high_ml"),
)  # fmt: skip
def unit_volume(facts: Facts) -> Told:
    """A blood product recorded with a volume for each unit outside the usual range: units and mL may be mixed up."""
    low, high = facts.of("plausible.unit_low_ml"), facts.of("plausible.unit_high_ml")
    for one in facts.all(Transfusion):
        units, ml = units_of(one), number(one.volume_ml)
        if one.product not in ("red-cells", "whole-blood") or not units or ml is None:
            continue
        if not low.value * units <= ml <= high.value * units:
            yield (
                at(one, "volume_ml"),
                (
                    f"{shown(units)} units of {one.product} are recorded with {shown(ml)} mL; a unit has "
                    f"{shown(low.value)} to {shown(high.value)} mL."
                ),
            )


@rule("txa-late", "review", "information", source=sources.WHO_2017_TXA, parameters=("txa.first_within_min",))
def txa_late(facts: Facts) -> Told:
    """The first dose of tranexamic acid recorded later after birth than the window of the recommendation."""
    if facts.txa.first_window.word == "late":
        first = txa_doses(facts.view)[0]
        limit = facts.of("txa.first_within_min")
        yield (
            at(first, "at"),
            (
                f"The first dose of tranexamic acid is recorded {facts.txa.birth_to_first.minutes} min after birth; "
                f"the window is {shown(limit.value)} min."
            ),
        )


@rule("infusion-not-ended", "review", "information", source=sources.PRACTICE)
def infusion_not_ended(facts: Facts) -> Told:
    """The record closed with an infusion recorded as running."""
    if facts.closure.word == "closed":
        names = {one.infusion for one in running_infusions(facts.view)}
        for name in sorted(names):
            start = next(one for one in facts.all(Infusion) if one.infusion == name)
            yield (
                at(start, "step"),
                f"The record is closed and the infusion of entry {start.id} is recorded as running.",
            )


@rule("infusion-without-start", "review", "information", source=sources.ARITHMETIC)
def infusion_without_start(facts: Facts) -> Told:
    """An infusion stopped or changed, and no start of it recorded."""
    started: set[str] = set()
    for one in facts.all(Infusion):
        if one.step == "start":
            started.add(one.infusion)
        elif one.infusion not in started:
            started.add(one.infusion)
            yield at(one, "step"), f"The infusion of entry {one.id} has no start recorded before it."
