"""What our images ask, profile by profile, gathered from the tables: the demands of shapes, codes and rows.

A profile that several parts share asks what all of them do.
"""

from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import reduce
from typing import Any

from fhirmod.episode import KINDS
from fhirmod.mapping.demand import Demand, coded_as
from fhirmod.mapping.places import extension_slice
from fhirmod.mapping.shapes import SHAPES, Shape
from fhirmod.mapping.table import Part
from fhirmod.mapping.tables import TABLES
from fhirmod.mapping.urls import ENTRY, ENTRY_ID
from fhirmod.mapping.writing import category

from .profile import Authored, codes_url

_FIXED_TYPES = {
    "intent": "Code",
    "actuality": "Code",
    "class": "Coding",
    "scope": "CodeableConcept",
    "policyRule": "CodeableConcept",
    "clinicalStatus": "CodeableConcept",
}
# Where R4 lets the status be absent; we always say it, of what was withdrawn too.
_STATUS_OPTIONAL = frozenset((("Condition", "verificationStatus"), ("Device", "status")))
_BACKBONES = frozenset(("provision", "period", "dosage"))  # elements that may be absent above one that is asked


def gathered() -> Iterator[Authored]:
    """Return every profile that an entry's image claims, in the order of the kinds."""
    parts: dict[str, list[tuple[str, Part]]] = {}
    for kind, table in TABLES.items():
        for part in table.parts:
            for name in part.profiles:
                if "/" not in name:
                    parts.setdefault(name, []).append((kind, part))
    for name, owners in parts.items():
        kinds = list(dict.fromkeys(kind for kind, _ in owners))
        codes = tuple(dict.fromkeys(code.key for _, part in owners for code in part.codes))
        asked = reduce(_common, [_merged(_of_part(name, part, codes)) for _, part in owners])
        described = " ".join(first_line(kind) for kind in kinds)
        yield Authored(name, owners[0][1].type, tuple(asked.values()), described, codes)


def first_line(kind: str) -> str:
    """Return what a kind of entry is, in the first sentence of its docstring."""
    return (KINDS[kind].__doc__ or "").strip().partition("\n")[0]


def _of_part(name: str, part: Part, codes: tuple[str, ...]) -> Iterator[Demand]:
    shape = SHAPES[part.type]
    yield Demand("meta", least=1)
    yield Demand("meta.security", least=1)
    yield Demand("meta.security.system", least=1)
    yield Demand("meta.security.code", least=1)
    yield from extension_slice("entry", ENTRY, least=1)
    yield from _identifier(shape)
    if part.category is not None:
        yield Demand("category", least=1, most="1", pattern=("CodeableConcept", _codings_only(part.category)))
    yield _code(name, codes, shape)
    yield from _envelope(shape)
    if (part.type, shape.status) in _STATUS_OPTIONAL:
        yield Demand(str(shape.status), least=1)
    for row in part.rows:
        yield from row.place.asks()


def _codings_only(name: str) -> dict[str, Any]:
    return {"coding": [{key: one[key] for key in ("system", "code")} for one in category(name)["coding"]]}


def _identifier(shape: Shape) -> Iterator[Demand]:
    if shape.identifier == "many":
        yield Demand("identifier", least=1, told_by=(("value", "system"),))
        yield Demand("identifier:entry", least=1, most="1")
        yield Demand("identifier:entry.system", least=1, fixed=("Uri", ENTRY_ID))
        yield Demand("identifier:entry.value", least=1)
    elif shape.identifier == "one":
        yield Demand("identifier", least=1)
        yield Demand("identifier.system", least=1, fixed=("Uri", ENTRY_ID))
        yield Demand("identifier.value", least=1)


def _code(name: str, codes: tuple[str, ...], shape: Shape) -> Demand:
    path, typed = shape.code, ()
    if path.endswith("[0]"):
        path = path.removesuffix("[0]")
    elif path.endswith("CodeableConcept"):
        path, typed = path.removesuffix("CodeableConcept") + "[x]", ("CodeableConcept",)  # type: ignore[assignment]
    many = "1" if shape.code.endswith("[0]") else None
    if len(codes) == 1:
        return Demand(path, least=1, most=many, types=typed, pattern=coded_as(codes[0]))
    return Demand(path, least=1, most=many, types=typed, answers=codes_url(name))


def _envelope(shape: Shape) -> Iterator[Demand]:
    for path, target in ((shape.subject, "Patient"), (shape.encounter, "Encounter")):
        if path is not None:
            yield Demand(path, least=1 if target == "Patient" else None, types=(f"Reference:{target}",))
    for asked in (shape.link, shape.recorded_at):
        if asked is not None:
            yield from _needed(asked)
    if shape.at is not None:
        if shape.at.endswith("DateTime") and shape.at != "dateTime":
            yield Demand(shape.at.removesuffix("DateTime") + "[x]", least=1, types=("dateTime",))
        else:
            yield from _needed(shape.at)
    for name, value in shape.fixed.items():
        least = None if name in shape.only_standing else 1
        yield Demand(name, least=least, pattern=(_FIXED_TYPES[name], value))


def _needed(path: str) -> Iterator[Demand]:
    above, _, _ = path.rpartition(".")
    if above in _BACKBONES:
        yield Demand(above, least=1)
    yield Demand(path, least=1)


def _merged(demands: Iterable[Demand]) -> dict[str, Demand]:
    """Return one demand for each path: what is said of it more than once is all said."""
    found: dict[str, Demand] = {}
    for one in demands:
        before = found.get(one.path)
        found[one.path] = one if before is None else _both(before, one)
    return found


def _both(one: Demand, other: Demand) -> Demand:
    said = {name: value for name in _NAMES if (value := getattr(other, name)) not in (None, ())}
    return replace(one, **said)


_NAMES = ("least", "most", "types", "pattern", "fixed", "answers", "told_by")


def _common(some: dict[str, Demand], others: dict[str, Demand]) -> dict[str, Demand]:
    """Return what two parts of one profile both ask; what only one knows of is optional, if it is a slice."""
    found: dict[str, Demand] = {}
    for path in (*some, *(path for path in others if path not in some)):
        one, other = some.get(path), others.get(path)
        if one is not None and other is not None:
            found[path] = one if one == other else _looser(one, other)
        elif ":" in path:
            alone = one or other
            assert alone is not None
            outermost = path.count(":") == 1 and "." not in path.partition(":")[2]
            found[path] = replace(alone, least=0) if outermost else alone
        elif (alone := one or other) is not None and alone.told_by:
            found[path] = replace(alone, least=None)
    return found


def _looser(one: Demand, other: Demand) -> Demand:
    same = {name: getattr(one, name) if getattr(one, name) == getattr(other, name) else None for name in _NAMES}
    types = tuple(dict.fromkeys((*one.types, *other.types))) if one.types and other.types else ()
    least = None if one.least is None or other.least is None else min(one.least, other.least)
    same |= {"types": types, "least": least, "told_by": one.told_by or other.told_by}
    return Demand(one.path, **same)  # type: ignore[arg-type]
