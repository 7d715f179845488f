"""Bindings compiled to sets: whether a code, Coding or CodeableConcept is what its value set holds.

A value set that includes a system whose content is not carried here (`open`) cannot deny a code of that
system; where that system is a grammar (media types, languages, currencies), the grammar decides.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Literal

from fhirmod.errors import Severity

from .facts import facts
from .grammars import is_currency, is_language, is_mime
from .invariants.logic import UCUM
from .ucum import is_length_unit, is_time_unit

Strength = Literal["required", "extensible", "preferred"]

# value set -> the one system it takes, and the grammar of its codes
_GRAMMARS: Mapping[str, tuple[str, Callable[[str], bool]]] = {
    "http://hl7.org/fhir/ValueSet/mimetypes": ("urn:ietf:bcp:13", is_mime),
    "http://www.rfc-editor.org/bcp/bcp13.txt": ("urn:ietf:bcp:13", is_mime),
    "http://hl7.org/fhir/ValueSet/all-languages": ("urn:ietf:bcp:47", is_language),
    "http://hl7.org/fhir/ValueSet/currencies": ("urn:iso:std:iso:4217", is_currency),
    "http://hl7.org/fhir/ValueSet/all-time-units": (UCUM, is_time_unit),
    "http://hl7.org/fhir/ValueSet/all-distance-units": (UCUM, is_length_unit),
}


@dataclass(frozen=True, slots=True)
class Members:
    """The members of one value set."""

    url: str
    pairs: Mapping[str, frozenset[str]]
    codes: frozenset[str]
    open: frozenset[str]
    grammar: Callable[[str], bool] | None
    system: str = ""
    without: Mapping[str, frozenset[str]] = field(default_factory=dict)  # what is excluded of open systems

    def code(self, code: str) -> bool:
        """Return whether a bare code is (or, in an open set, may be) a member."""
        if self.grammar is not None:
            return self.grammar(code)
        return code in self.codes or bool(self.open)

    def coding(self, coding: Mapping[str, Any]) -> bool:
        """Return whether a coding is (or, in an open set, may be) a member."""
        code, system = coding.get("code"), coding.get("system")
        if not isinstance(code, str) or not isinstance(system, str):
            return False
        if self.grammar is not None:
            return system == self.system and self.grammar(code)
        if code in self.pairs.get(system, ()):
            return True
        return (system in self.open or "*" in self.open) and code not in self.without.get(system, ())

    @property
    def example(self) -> str:
        """Return a few members for a sentence."""
        some = sorted(self.codes)
        listed = ", ".join(some[:6]) + (f" and {len(some) - 6} more" if len(some) > 6 else "")
        name = self.url.rpartition("/")[2]
        return f"one of {name} ({listed})" if some else f"one of {name}"


@dataclass(frozen=True, slots=True)
class Bound:
    """One element's binding: how strong, to what, and the widest set allowed at all."""

    strength: str
    members: Members | None
    widest: Members | None


@cache
def members(url: str) -> Members:
    """Return the compiled value set of a URL."""
    raw = facts()["values"].get(url, {"codes": {}, "open": ["*"]})
    pairs = {system: frozenset(codes) for system, codes in raw["codes"].items()}
    every = frozenset(code for codes in pairs.values() for code in codes)
    system, grammar = _GRAMMARS.get(url, ("", None))
    return Members(url, pairs, every, frozenset(raw["open"]), grammar, system)


@cache
def bound(binding: tuple[str, ...]) -> Bound | None:
    """Return the compiled binding of an element, or None if nothing is to be checked."""
    if not binding:
        return None
    return bound_to(binding, members)


def bound_to(binding: tuple[str, ...], find: Callable[[str], Members | None]) -> Bound | None:
    """Return what a binding (strength, value set, widest value set) asks; `find` leads from a URL to the members."""
    strength, url, *rest = binding
    inner = find(url) if strength in ("required", "extensible") and url else None
    widest = find(rest[0]) if rest else None
    return Bound(strength, inner, widest) if inner or widest else None


def broken(binding: Bound, value: Any, kind: str) -> tuple[Severity, Members] | None:
    """Return how badly a value of a bound element is outside, and of which set; None if it is inside or has no code.

    Shape: `kind` is the type of the value; of a CodeableConcept one coding inside is enough, a text alone is no code.
    """
    for severity, inside in _levels(binding):
        if inside is not None and not _inside(inside, value, kind, required=binding.strength == "required"):
            return severity, inside
    return None


def _levels(binding: Bound) -> tuple[tuple[Severity, Members | None], ...]:
    """The widest set refuses, the inner one refuses only if it is required."""
    inner: Severity = "error" if binding.strength == "required" else "warning"
    return (("error", binding.widest), (inner, binding.members))


def _inside(inside: Members, value: Any, kind: str, *, required: bool) -> bool:
    if isinstance(value, str):
        return inside.code(value)
    if not isinstance(value, dict):
        return True
    if kind == "CodeableConcept":
        listed = value.get("coding")
        codings = [one for one in listed if isinstance(one, dict)] if isinstance(listed, list) else []
        if not codings:  # an element with only an extension says why there is none
            return "text" not in value or not required
        return any(inside.coding(one) for one in codings)
    if "code" not in value and (not required or "system" not in value):
        return True
    return inside.coding(value)


@cache
def _system(url: str) -> frozenset[str] | None:
    raw = facts()["systems"].get(url)
    return None if raw is None else frozenset(raw)


def unknown_in_system(system: str, code: str) -> bool:
    """Return whether a code system carried whole does not define the code."""
    known = _system(system)
    return known is not None and code not in known
