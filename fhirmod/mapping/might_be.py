"""Which kinds of entry a resource may have been that could not be read: all it could have said, never less.

A code that is known decides; else the form of what it says: a number in mL may have been any volume, never a pulse.
What has not happened (planned, cancelled, not done) said nothing, so nothing is missing.
"""

from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import Any, NamedTuple

from terminology import find

from .codec import Codec
from .paths import get_at
from .places import Component, MainValue
from .shapes import SHAPES
from .standing import standing_of
from .tables import TABLES
from .units import comparable, is_unit

_VALUE = "value"
_GIVEN = frozenset({"medication", "infusion", "fluid", "transfusion"})
_EVERY = frozenset(TABLES)
_CODED = frozenset({"CodeableConcept", "Boolean"})
_TIMES = frozenset({"DateTime", "Time", "Period"})
_NUMBERS = frozenset({"Quantity", "Integer", "Range", "Ratio"})

ELSEWHERE: dict[str, frozenset[str]] = {
    "MedicationStatement": _GIVEN,
    "Immunization": frozenset(),
    "DiagnosticReport": frozenset({"laboratory", "examination"}),
    "AllergyIntolerance": frozenset({"background"}),
    "QuestionnaireResponse": _EVERY,
    "DeviceUseStatement": frozenset({"placement", "removal"}),
}
"""What types that no table writes may tell of the record; a type that is in neither tells nothing of it."""

_CATEGORIES: dict[str, frozenset[str]] = {
    "vital-signs": frozenset({"vital-signs", "background"}),
    "laboratory": frozenset({"laboratory", "background"}),
    "imaging": frozenset({"uterine-check", "placement", "examination"}),
    "social-history": frozenset({"background"}),
}
"""HL7 categories that say what an Observation is about; the others (exam, procedure, survey) leave all open."""
_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"


class _Form(NamedTuple):
    """How a value looks: the suffix of value[x], and the unit of a number ("" where none is stated)."""

    suffix: str
    unit: str = ""


def might_be(resource: Mapping[str, Any] | None, own_kind: str | None) -> frozenset[str]:
    """Return the kinds of entry that an unread resource may have been.

    Shape: `own_kind` is the kind that our own extension names, if it has one.
    """
    if resource is None or standing_of(resource) in ("planned", "not done", "withdrawn"):
        return frozenset()
    if own_kind in TABLES:
        return _EVERY if own_kind == "retraction" else frozenset({str(own_kind)})
    type_ = str(resource["resourceType"])
    if type_ not in SHAPES:
        return ELSEWHERE.get(type_, frozenset())
    codings = (get_at(resource, SHAPES[type_].code) or {}).get("coding", ())
    known = frozenset(kind for kind, keys in _keys(type_).items() if find(codings, keys) is not None)
    return known or (_by_form(resource) if type_ == "Observation" else frozenset(_keys(type_)))


@cache
def _keys(type_: str) -> dict[str, frozenset[str]]:
    """Return, for each kind that has a part of this type, the concept keys of its code."""
    found: dict[str, frozenset[str]] = {}
    for name, table in TABLES.items():
        codes = frozenset(code.key for part in table.parts if part.type == type_ for code in part.codes)
        if codes:
            found[name] = codes
    return found


def _by_form(resource: Mapping[str, Any]) -> frozenset[str]:
    forms = [form for item in (resource, *resource.get("component", ())) for form in _forms(item)]
    possible = frozenset(_keys("Observation"))
    if forms:
        possible = frozenset(kind for kind in possible if any(_fits(form, kind) for form in forms))
    for category in _categories(resource):
        possible &= _CATEGORIES.get(category, possible)
    return possible


def _forms(item: Mapping[str, Any]) -> Iterator[_Form]:
    for name, value in item.items():
        suffix = name.removeprefix(_VALUE)
        if suffix != name and suffix[:1].isupper():
            yield _Form(suffix, _unit(value) if suffix in _NUMBERS else "")


def _unit(value: Any) -> str:
    """Return the unit that a Quantity states, or the first one inside a Range or Ratio."""
    for part in ("low", "high", "numerator"):
        if isinstance(value, Mapping) and isinstance(value.get(part), Mapping):
            value = value[part]
    return str(value.get("code") or value.get("unit") or "") if isinstance(value, Mapping) else ""


@cache
def _takes(kind: str) -> tuple[_Form, ...]:
    """Return the forms that the Observations of a kind take: main values and components."""
    codecs: Iterable[Codec] = (
        row.place.codec
        for part in TABLES[kind].parts
        if part.type == "Observation"
        for row in part.rows
        if isinstance(row.place, MainValue | Component)
    )
    return tuple(dict.fromkeys(_Form(codec.suffix, codec.unit or "") for codec in codecs))


def _fits(form: _Form, kind: str) -> bool:
    takes = _takes(kind)
    if form.suffix in _NUMBERS:
        anything = not is_unit(form.unit)  # none, or a word of the sender's own
        return any(one.suffix == "Quantity" and (anything or comparable(form.unit, one.unit)) for one in takes)
    if form.suffix in _CODED:
        return any(one.suffix in _CODED for one in takes)
    return kind == "birth" if form.suffix in _TIMES else True


def _categories(resource: Mapping[str, Any]) -> Iterator[str]:
    for concept in resource.get("category", ()):
        for coding in concept.get("coding", ()):
            if coding.get("system") == _CATEGORY:
                yield str(coding.get("code"))
