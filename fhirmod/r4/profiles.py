"""Profiles compiled from a StructureDefinition's snapshot: what they ask beyond the type they constrain.

R4's own vital-signs profiles come with the facts; any other definition with a snapshot compiles the same way.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from .bindings import Bound
from .bindings import bound as compiled_binding
from .facts import Json, facts

Rule = tuple[str, str, str]  # key, severity, FHIRPath
_BASE = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(slots=True)
class Element:
    """One element of a profile, or one slice of it.

    Shape: `name` as in the path (`value[x]`); `most` None is without limit; `wanted` is the fixed or
           pattern value and `exact` tells which; `discriminators` are (type, path) of its slicing.
    """

    name: str
    slice: str
    least: int
    most: int | None
    types: frozenset[str]
    targets: frozenset[str]
    profiles: tuple[str, ...]
    wanted: Any
    exact: bool
    binding: Bound | None
    rules: tuple[Rule, ...]
    discriminators: tuple[tuple[str, str], ...]
    closed: bool
    children: dict[str, "Element"] = field(default_factory=dict)
    slices: dict[str, "Element"] = field(default_factory=dict)
    demands: dict[str, list["Element"]] = field(default_factory=dict)  # what tells this slice, by path

    @property
    def label(self) -> str:
        """Return the element's name for a sentence."""
        name = self.name.removesuffix("[x]")
        return f"{name} (slice {self.slice})" if self.slice else name


@dataclass(frozen=True, eq=False)
class Profile:
    """A compiled profile: its canonical URL, the type it constrains, and its tree of elements."""

    url: str
    type: str
    root: Element


def compile_profile(definition: Mapping[str, Any]) -> Profile:
    """Return a StructureDefinition with a snapshot, compiled.

    Errors: KeyError if it has no snapshot, or an element of it has no id.
    """
    elements = definition["snapshot"]["element"]
    root: Element | None = None
    for raw in elements:
        _, *names = _steps(raw["id"])
        if root is None:
            root = _element(raw, raw["path"], "")
            continue
        here = root
        for name, part in names[:-1]:
            above = here.children[name]
            here = above.slices[part] if part else above
        name, part = names[-1]
        made = _element(raw, name, part)
        if part:
            here.children.setdefault(name, _element({"min": 0, "max": "*"}, name, "")).slices[part] = made
        else:
            here.children[name] = made
    if root is None:
        raise KeyError("snapshot.element")
    _prune(root)
    return Profile(definition["url"], definition["type"], root)


def _prune(element: Element) -> bool:
    """Drop what only repeats the base type, which the walker has judged; say whether anything is left."""
    element.children = {name: child for name, child in element.children.items() if _prune(child)}
    for part in element.slices.values():
        _prune(part)
    return bool(
        element.children
        or element.slices
        or element.least
        or element.most is not None
        or element.types
        or element.targets
        or element.rules
        or element.binding
        or element.wanted is not None
    )


def _steps(identity: str) -> list[tuple[str, str]]:
    """Split an element id into (name, slice) pairs."""
    found = []
    for step in identity.split("."):
        name, _, part = step.partition(":")
        found.append((name, part))
    return found


def _element(raw: Mapping[str, Any], name: str, part: str) -> Element:
    exact, wanted = False, None
    for key, value in raw.items():
        if key.startswith(("fixed", "pattern")):
            exact, wanted = key.startswith("fixed"), value
    slicing = raw.get("slicing", {})
    kinds = raw.get("type", ())
    types = frozenset(one["code"] for one in kinds)
    targets = frozenset(_type_of(target) for one in kinds for target in one.get("targetProfile", ()))
    binding = raw.get("binding", {})
    named = (binding.get("strength", ""), str(binding.get("valueSet", "")).partition("|")[0])
    least, most = raw.get("min", 0), raw.get("max", "*")
    base = {} if part else _base(raw)
    return Element(
        name=name,
        slice=part,
        least=0 if base and least == raw["base"]["min"] else least,
        most=None if most == "*" or (base and most == raw["base"]["max"]) else int(most),
        types=types if not base or types < frozenset(base.get("types", ())) else frozenset(),
        targets=targets if not base or targets != frozenset(base.get("targets", ())) else frozenset(),
        profiles=tuple(profile for one in kinds for profile in one.get("profile", ())),
        wanted=wanted,
        exact=exact,
        binding=_binding(named) if not base or [*named] != base.get("binding", [])[:2] else None,
        rules=tuple(
            (one["key"], one["severity"], one["expression"])
            for one in raw.get("constraint", ())
            if "expression" in one and one["expression"] not in _base_rules()
        ),
        discriminators=tuple((one["type"], one["path"]) for one in slicing.get("discriminator", ())),
        closed=slicing.get("rules") == "closed",
    )


def _binding(named: tuple[str, str]) -> Bound | None:
    return compiled_binding(named) if named[0] in ("required", "extensible") and named[1] else None


def _base(raw: Mapping[str, Any]) -> Json:
    """Return the element of the base type that a profile's element constrains, or nothing if not known."""
    owner, _, name = raw.get("base", {}).get("path", "").rpartition(".")
    shape: Json = facts()["shapes"].get(owner, {"elements": ()})
    return next((one for one in shape["elements"] if one["name"] == name), {})


def _type_of(target: str) -> str:
    """Return the type a target profile constrains, or its URL if it is not carried."""
    known = facts()["profiles"].get(target)
    return known["type"] if known else target.removeprefix(_BASE)


@cache
def _base_rules() -> frozenset[str]:
    """Return the FHIRPath of every rule the types themselves carry: the walker has asked those already."""
    shapes = facts()["shapes"].values()
    own = {rule[2] for one in shapes for rule in one["invariants"]}
    own |= {rule[2] for one in shapes for e in one["elements"] for rule in e.get("invariants", ())}
    return frozenset(own)


@lru_cache(maxsize=64)  # the URL comes from whoever asks, so what is kept is bounded
def profile(url: str) -> Profile | None:
    """Return one of R4's own carried profiles by its canonical URL (a version after | is left aside)."""
    raw: Json | None = facts()["profiles"].get(url.partition("|")[0])
    return None if raw is None else compile_profile(raw)


@cache
def by_code() -> Mapping[tuple[str, str, str], str]:
    """Return which carried profile a (type, system, code) calls for: its fixed code says so."""
    found = {}
    for url in facts()["profiles"]:
        one = profile(url)
        code = one.root.children.get("code") if one else None
        for part in code.children["coding"].slices.values() if code and "coding" in code.children else ():
            system, wanted = part.children.get("system"), part.children.get("code")
            if one and system and wanted and isinstance(wanted.wanted, str):
                found[one.type, str(system.wanted), wanted.wanted] = url
    return found
