"""How one entry reads in a line: values first, units as people write them, defaults and repetitions left out."""

from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from functools import cache
from typing import Any, get_args

from fhirmod.episode import Absent, AtRange, Entry, Facility, Opening, Placement, Woman, unit_of
from fhirmod.episode import Weighed as WeighedItems

_UNITS = {  # UCUM unit -> how the field's name ends, how people write the unit
    "mL": ("_ml", " mL"),
    "g": ("_g", " g"),
    "kg": ("_kg", " kg"),
    "cm": ("_cm", " cm"),
    "min": ("_min", " min"),
    "s": ("_s", " s"),
    "h": ("_h", " h"),
    "d": ("_days", " days"),
    "a": ("_years", " years"),
    "/min": ("_per_min", "/min"),
    "mm[Hg]": ("_mmhg", " mmHg"),
    "Cel": ("_cel", " °C"),
    "%": ("_percent", " %"),
    "g/dL": ("_g_dl", " g/dL"),
    "g/L": ("_g_l", " g/L"),
    "mmol/L": ("_mmol_l", " mmol/L"),
    "umol/L": ("_umol_l", " umol/L"),
    "10*9/L": ("_10e9_l", " x10^9/L"),
    "{finger-breadth}": ("_finger_breadths", " finger-breadths"),
}
_BARE = frozenset({  # the value says it all; the field's name would only repeat the kind
    "response", "choice", "manoeuvre", "complication", "problem", "drug", "drug_text", "step", "answer", "action",
    "text", "product", "procedures", "mode", "device", "fluid", "causes", "purpose", "result", "infusion", "volume_ml",
    "weighed", "dose", "route", "facility", "woman", "status", "how", "rate", "manoeuvre_text", "complication_text",
    "problem_text",
})  # fmt: skip
_PICTURES = {code: 0x2400 + code for code in (*range(9), 11, 12, *range(14, 32))}
_HIDDEN = frozenset({"protocol", "placement", "preparation", "corrects"})
_DOSE_UNITS = {
    "[IU]": "IU",
    "[IU]/h": "IU/h",
    "[IU]/min": "IU/min",
    "m[IU]/min": "mIU/min",
    "ug": "µg",
    "ug/min": "µg/min",
}


def reads(entry: Entry, number_of: dict[str, int]) -> str:
    """Return what an entry says, in words; `number_of` gives a balloon's number by the id of its placement."""
    parts = [part for part in _said(entry) if part]
    if isinstance(entry, Placement) and len(number_of) > 1:
        parts.insert(0, f"balloon {number_of.get(entry.id, '?')}")
    elif (named := getattr(entry, "placement", None)) and len(number_of) > 1:
        parts.append(f"balloon {number_of.get(named, '?')}")
    return ", ".join([*parts, *_besides(entry)])


def _said(entry: Entry) -> Iterator[str]:
    pressure = _pressure(entry)
    yield pressure
    for name, info in type(entry).model_fields.items():
        value = getattr(entry, name)
        if name in Entry.model_fields or name in _HIDDEN or value in (None, info.default, ()):
            continue
        if pressure and name in ("systolic_mmhg", "diastolic_mmhg"):
            continue
        yield _field(entry, name, value)


def _field(entry: Entry, name: str, value: Any) -> str:
    if name == "given":
        return "not given"
    if name == "drill":
        return "drill"
    ending, unit = _UNITS.get(_unit(type(entry), name) or "", ("", ""))
    words = f"{value:f}{unit}" if isinstance(value, Decimal) else _words(value)
    label = name.removesuffix(ending).replace("_", " ")
    if name in _BARE and not (isinstance(value, Absent) and name != "response"):
        return words
    return label if value is True else f"{label} {words}"


def _pressure(entry: Entry) -> str:
    systolic, diastolic = getattr(entry, "systolic_mmhg", None), getattr(entry, "diastolic_mmhg", None)
    if isinstance(systolic, Decimal) and isinstance(diastolic, Decimal):
        return f"{systolic:f}/{diastolic:f} mmHg"
    return ""


def _words(value: Any) -> str:
    match value:
        case Absent():
            return value.absent.replace("-", " ") + (f" ({value.why})" if value.why else "")
        case tuple():
            return " + ".join(map(_words, value))
        case str():
            return value.translate(_PICTURES)
        case Facility():
            return value.name or value.id
        case Woman():
            return value.label or value.identifier or ""
        case WeighedItems():
            return f"{_words(value.wet_g)} g wet, {_words(value.items)} items of {_words(value.dry_g_each)} g dry"
        case Decimal():
            return f"{value:f}"
        case _ if hasattr(value, "unit"):  # a dose or a rate
            return f"{value.value:f} {_DOSE_UNITS.get(value.unit, value.unit)}"
        case _ if hasattr(value, "model_dump"):
            return " ".join(str(part) for part in value.model_dump(exclude_none=True).values())
        case _:
            return str(value)


def _besides(entry: Entry) -> Iterator[str]:
    """Return what the envelope adds: a range of the time, a late entry, a correction, a comment, who."""
    if isinstance(entry.at_range, AtRange):
        spread = entry.at_range.plus_minus_min
        yield f"± {spread:f} min" if spread is not None else f"{entry.at_range.earliest} to {entry.at_range.latest}"
    if entry.instant is not None and entry.recorded_at.instant is not None and not isinstance(entry, Opening):
        late = entry.recorded_at.instant - entry.instant
        if late >= timedelta(minutes=10):
            yield f"written {_late(late)} later"
    if entry.corrects is not None:
        yield f"corrected: {entry.reason}"
    if entry.comment:
        yield f'"{entry.comment}"'
    if entry.performed_by is not None:
        yield f"by {entry.performed_by.role or entry.performed_by.id}"


def _late(late: timedelta) -> str:
    minutes = int(late.total_seconds()) // 60
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02} min" if minutes < 48 * 60 else f"{minutes // 1440} days"


@cache
def _unit(kind: type[Entry], name: str) -> str | None:
    info = kind.model_fields[name]
    return next((unit for one in (*info.metadata, *_metadata(info.annotation)) if (unit := unit_of(one))), None)


def _metadata(annotation: Any) -> Iterator[Any]:
    """Return what is annotated anywhere inside a type."""
    yield from getattr(annotation, "__metadata__", ())
    for inner in get_args(annotation):
        yield from _metadata(inner)
