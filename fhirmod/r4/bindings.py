"""Bindings compiled to sets: whether a code, Coding or CodeableConcept is what its value set holds.

A value set that includes a system whose content is not carried here (`open`) cannot deny a code of that
system; where that system is a grammar (media types, languages, currencies), the grammar decides.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

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
        return system in self.open or "*" in self.open

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


def members_listed(value_set: Mapping[str, Any]) -> Members:
    """Return a ValueSet resource that lists its codes, compiled; a system named whole is open."""
    pairs: dict[str, set[str]] = {}
    whole = set()
    for include in value_set.get("compose", {}).get("include", ()):
        listed = [one["code"] for one in include.get("concept", ())]
        pairs.setdefault(include.get("system", ""), set()).update(listed)
        if not listed:
            whole.add(include.get("system", "*"))
    every = frozenset(code for codes in pairs.values() for code in codes)
    frozen = {system: frozenset(codes) for system, codes in pairs.items()}
    return Members(value_set["url"], frozen, every, frozenset(whole), None)


@cache
def bound(binding: tuple[str, ...]) -> Bound | None:
    """Return the compiled binding of an element, or None if nothing is to be checked."""
    if not binding:
        return None
    strength, url, *rest = binding
    inner = members(url) if strength != "preferred" and url else None
    widest = members(rest[0]) if rest else None
    return Bound(strength, inner, widest) if inner or widest else None


@cache
def _system(url: str) -> frozenset[str] | None:
    raw = facts()["systems"].get(url)
    return None if raw is None else frozenset(raw)


def unknown_in_system(system: str, code: str) -> bool:
    """Return whether a code system carried whole does not define the code."""
    known = _system(system)
    return known is not None and code not in known
