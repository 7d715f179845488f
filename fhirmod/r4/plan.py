"""Plans: shapes compiled for the walker, one table per type from JSON property to what may stand there."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from .bindings import Bound, bound
from .facts import facts
from .grammars import PRIMITIVE, is_element_id, is_relative, odd_text, odd_urn
from .invariants import TESTS, Test
from .shapes import Field, shape

Check = tuple[str, str, str, Test]  # key, severity, FHIRPath, test

_NARRATIVE_CHECKS = frozenset(("txt-1", "txt-2"))  # answered where the XHTML is read
_INLINE_CHECKS = frozenset(("ele-1",))  # answered by the walker for every element
_TEXTS = frozenset(("string", "markdown"))
_URIS = frozenset(("uri", "url"))


@dataclass(slots=True)
class Slot:
    """What may stand at one JSON property.

    Shape: `plain` answers the common case at once: True means nothing to say about this primitive;
           `companion` marks the `_name` property of a primitive.
    """

    field: Field
    many: bool
    primitive: bool
    companion: bool
    plain: Callable[[Any], bool] | None
    bound: Bound | None
    checks: tuple[Check, ...]
    group: str
    inner: str
    plan: "Plan | None" = None


@dataclass(frozen=True, slots=True)
class Plan:
    """A type's slots, the elements it must have and the rules over the whole."""

    name: str
    slots: Mapping[str, Slot]
    required: tuple[tuple[str, tuple[str, ...]], ...]
    checks: tuple[Check, ...]


@cache
def plan(name: str) -> Plan:
    """Return the plan of a type, nested element or datatype profile (`Quantity|SimpleQuantity`).

    Errors: KeyError if R4 facts have no such type.
    """
    bare, _, profile = name.partition("|")
    compiled = shape(bare)
    slots: dict[str, Slot] = {}
    required: dict[str, tuple[str, ...]] = {}
    for field in compiled.fields.values():
        slots[field.key] = _slot(field, companion=False)
        has_companion = field.primitive and (field.name != "id" or compiled.resource)
        if has_companion:
            slots["_" + field.key] = _slot(field, companion=True)
        if field.least:
            keys = (field.key, "_" + field.key) if has_companion else (field.key,)
            required[field.name] = (*required.get(field.name, ()), *keys)
    rules = {one[2]: one for one in compiled.invariants}
    for key, severity, text in facts()["datatype_profiles"].get(profile, ()):
        rules[text] = (key, severity, text)
    return Plan(name, slots, tuple(required.items()), _checks(tuple(rules.values())))


def _checks(rules: tuple[tuple[str, str, str], ...]) -> tuple[Check, ...]:
    return tuple(
        (key, severity, text, TESTS[text])
        for key, severity, text in rules
        if key not in _NARRATIVE_CHECKS and key not in _INLINE_CHECKS
    )


def _slot(field: Field, *, companion: bool) -> Slot:
    whole = facts()["shapes"].get(field.type, {}).get("binding", ())  # Age, Duration: bound as a type
    binding = bound(field.binding or tuple(whole)) if not companion else None
    return Slot(
        field=field,
        many=field.many,
        primitive=field.primitive and not companion,
        companion=companion,
        plain=_plain(field.type, field.name, binding) if field.primitive and not companion else None,
        bound=binding,
        checks=() if companion else _checks(field.invariants),
        group=field.name if field.choice else "",
        inner="Element" if companion else field.type + ("|" + field.profile if field.profile else ""),
    )


def _plain(kind: str, name: str, binding: Bound | None) -> Callable[[Any], bool]:
    grammar = PRIMITIVE[kind]
    if kind == "code" and binding is not None:
        inner = binding.members
        if inner is not None and inner.grammar is None and not inner.open:
            codes = inner.codes
            return lambda value: type(value) is str and value in codes
        allowed = (inner or binding.widest).code  # type: ignore[union-attr]
        return lambda value: grammar(value) and allowed(value)
    if kind == "string" and name == "id":
        return is_element_id
    if kind in _TEXTS:
        return lambda value: grammar(value) and not odd_text(value)
    if kind == "canonical" or (kind == "uri" and name == "system"):
        return lambda value: grammar(value) and not odd_urn(value) and not is_relative(value)
    if kind in _URIS:
        return lambda value: grammar(value) and not odd_urn(value)
    if kind == "xhtml":
        return lambda _value: False  # a narrative is always read
    return grammar
