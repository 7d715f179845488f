"""Rules about numbers that are possible but hardly meant: values swapped, units mixed up; the value is kept."""

from collections.abc import Iterable
from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import number
from fhirmod.episode import Background, Entry, Laboratory, Threshold, UterineCheck, VitalSigns
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import shown


@rule("pressure-swapped", "soon", "warning", source=sources.ARITHMETIC)
def pressure_swapped(facts: Facts) -> Told:
    """A diastolic pressure at or above the systolic of its own set."""
    for one in facts.all(VitalSigns):
        upper, lower = number(one.systolic_mmhg), number(one.diastolic_mmhg)
        if upper is not None and lower is not None and lower >= upper > 0:
            yield (
                at(one, "diastolic_mmhg"),
                (
                    f"The set {one.id} has a diastolic pressure of {shown(lower)} and a systolic of {shown(upper)} "
                    "mm[Hg]; they may be swapped."
                ),
            )


@rule(
    "signs-out-of-range", "soon", "warning", source=sources.PRACTICE,
    parameters=(
        "plausible.pulse_low_per_min", "plausible.pulse_high_per_min", "plausible.systolic_low_mmhg",
        "plausible.systolic_high_mmhg", "plausible.respiratory_rate_low_per_min",
        "plausible.respiratory_rate_high_per_min",
        "plausible.temperature_low_cel", "plausible.temperature_high_cel",
    ),
)  # fmt: skip
def signs_out_of_range(facts: Facts) -> Told:
    """A pulse, pressure, breathing rate or temperature outside what is seen: a slip, or another unit."""
    yield from _outside(
        facts, facts.all(VitalSigns), "pulse_per_min", "systolic_mmhg", "respiratory_rate_per_min", "temperature_cel"
    )


@rule(
    "laboratory-unit", "soon", "warning", source=sources.PRACTICE,
    parameters=(
        "plausible.haemoglobin_high_g_dl", "plausible.platelets_high_10e9_l", "plausible.fibrinogen_high_g_l",
        "plausible.creatinine_low_umol_l",
    ),
)  # fmt: skip
def laboratory_unit(facts: Facts) -> Told:
    """A laboratory value that fits another unit: haemoglobin in g/L, fibrinogen in mg/dL, creatinine in mg/dL."""
    yield from _outside(
        facts, facts.all(Laboratory), "haemoglobin_g_dl", "platelets_10e9_l", "fibrinogen_g_l", "creatinine_umol_l"
    )


@rule(
    "background-unit", "soon", "information", source=sources.PRACTICE,
    parameters=(
        "plausible.gestation_low_days", "plausible.height_low_cm", "plausible.weight_low_kg",
        "plausible.haemoglobin_before_high_g_dl",
    ),
)  # fmt: skip
def background_unit(facts: Facts) -> Told:
    """A gestation that fits weeks, a height that fits metres, or the like."""
    yield from _outside(
        facts, facts.all(Background), "gestation_days", "height_cm", "weight_kg", "haemoglobin_before_g_dl"
    )


@rule("fundus-implausible", "soon", "information", source=sources.PRACTICE, parameters=("plausible.fundus_high_cm",))
def fundus_implausible(facts: Facts) -> Told:
    """A fundus higher above the symphysis than after a birth: a slip, or another scale."""
    limit = facts.of("plausible.fundus_high_cm")
    for one in facts.all(UterineCheck):
        height = number(one.fundus_above_symphysis_cm)
        if height is not None and height > limit.value:
            yield (
                at(one, "fundus_above_symphysis_cm"),
                (
                    f"The check {one.id} has a fundus of {shown(height)} cm above the symphysis; usual is up to "
                    f"{shown(limit.value)} cm."
                ),
            )


def _outside(facts: Facts, entries: Iterable[Entry], *names: str) -> Told:
    """Yield each field below its low or above its high parameter; zero is a state of its own, not a slip."""
    limits = [(name, _limit(facts, name, "low"), _limit(facts, name, "high")) for name in names]
    for entry in entries:
        for name, low, high in limits:
            value = number(getattr(entry, name))
            if not value:
                continue
            if low is not None and value < low.value:
                yield _slip(entry, name, value, "below", low)
            elif high is not None and value > high.value:
                yield _slip(entry, name, value, "above", high)


def _slip(entry: Entry, name: str, value: Decimal, where: str, limit: Threshold) -> tuple[Place, str]:
    return (
        at(entry, name),
        (
            f"The {entry.kind} entry {entry.id} has {_split(name)[0].replace('_', ' ')} {shown(value)} "
            f"{limit.unit}, {where} {shown(limit.value)}; it may be a slip or another unit."
        ),
    )


def _limit(facts: Facts, name: str, end: str) -> Threshold | None:
    stem, unit = _split(name)
    parameter = f"plausible.{stem}_{end}_{unit}"
    return facts.of(parameter) if parameter in facts.view.protocol.thresholds else None


_SUFFIXES = ("per_min", "mmhg", "cel", "g_dl", "10e9_l", "g_l", "umol_l", "days", "cm", "kg")


def _split(name: str) -> tuple[str, str]:
    """Return what a field measures and the unit in its name."""
    unit = next(one for one in _SUFFIXES if name.endswith(f"_{one}"))
    return name.removesuffix(f"_{unit}"), unit
