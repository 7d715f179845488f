"""Profiles compiled from a StructureDefinition's snapshot: what they ask beyond the type they constrain.

R4's own vital-signs profiles come with the facts; any other definition with a snapshot compiles the same way.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any

from .bindings import Bound, Members, bound_to, members
from .facts import Json, bases, facts

Rule = tuple[str, str, str]  # key, severity, FHIRPath
TYPES = "http://hl7.org/fhir/StructureDefinition/"
_WIDEST = f"{TYPES}elementdefinition-maxValueSet"


@dataclass(slots=True)
class Element:
    """One element of a profile, or one slice of it.

    Shape: `name` as in the path (`value[x]`); `most` None is without limit; `wanted` is the fixed or
           pattern value and `exact` tells which; `discriminators` are (type, path) of its slicing; `profiles`
           are what its value must conform to (one of them), `targets` the types a reference may lead to, each
           with the profiles asked of it (none: any of that type), `aggregation` where that may be and `versioning`
           whether the reference names a version (empty: not said); `low`, `high` bound a value.
    """

    name: str
    slice: str
    least: int
    most: int | None
    types: frozenset[str]
    targets: Mapping[str, tuple[str, ...]]
    aggregation: frozenset[str]
    versioning: str
    profiles: tuple[str, ...]
    wanted: Any
    exact: bool
    low: Any
    high: Any
    max_length: int | None
    binding: Bound | None
    rules: tuple[Rule, ...]
    discriminators: tuple[tuple[str, str], ...]
    closed: bool
    at_end: bool
    ordered: bool
    children: dict[str, "Element"] = field(default_factory=dict)
    slices: dict[str, "Element"] = field(default_factory=dict)
    demands: dict[str, list["Element"]] = field(default_factory=dict)  # what tells this slice, by path

    @property
    def label(self) -> str:
        """Return the element's name for a sentence."""
        name = self.name.removesuffix("[x]")
        return f"{name} (slice {self.slice})" if self.slice else name


def _nothing(_url: str) -> Members | None:
    return None


@dataclass(frozen=True)
class Lookup:
    """What compiling a profile asks of other definitions: a profile's type, and a value set's members.

    Shape: `type_of` leads back to the URL where it is not known, `members` to None.
    """

    type_of: Callable[[str], str] = str
    members: Callable[[str], Members | None] = _nothing


@dataclass(frozen=True, eq=False)
class Profile:
    """A compiled profile: its canonical URL, the type it constrains, its tree of elements.

    Shape: `contexts` are (type, expression) of where an extension may stand, `modifier` whether it stands among
           modifiers, `invariants` what must hold where it stands; empty and False for any other profile.
    """

    url: str
    type: str
    root: Element
    contexts: tuple[tuple[str, str], ...] = ()
    modifier: bool = False
    invariants: tuple[str, ...] = ()

    def constrains(self, kind: str) -> bool:
        """Return whether the profile is one of a type, or of a type that this is made from."""
        return kind == self.type or self.type in bases(kind)


def compile_profile(definition: Mapping[str, Any], lookup: Lookup = Lookup()) -> Profile:
    """Return a StructureDefinition with a snapshot, compiled.

    Errors: KeyError, TypeError, ValueError or AttributeError if it has no snapshot or has not the form of one.
    """
    elements = definition["snapshot"]["element"]
    if definition["type"] not in facts()["types"]:
        raise ValueError(definition["type"])
    root: Element | None = None
    for raw in elements:
        _, *names = _steps(raw["id"])
        if root is None:
            root = _element(raw, raw["path"], "", lookup)
            continue
        here = root
        for name, part in names[:-1]:
            here = _sliced(here.children[name], part)
        name, part = names[-1]
        made = _element(raw, name, part, lookup)
        if part:
            of = here.children.setdefault(name, _element({"min": 0, "max": "*"}, name, "", lookup))
            outer, _, _ = part.rpartition("/")
            _sliced(of, outer).slices[part] = made
        else:
            here.children[name] = made
    if root is None:
        raise KeyError("snapshot.element")
    _prune(root)
    contexts = tuple((str(one.get("type")), str(one.get("expression"))) for one in definition.get("context", ()))
    modifier = bool(elements[0].get("isModifier"))
    invariants = tuple(definition.get("contextInvariant", ()))
    return Profile(definition["url"], definition["type"], root, contexts, modifier, invariants)


def _sliced(element: Element, part: str) -> Element:
    """Return the slice of an element, through the slices it is a slice of (`a/b` is b within a)."""
    names = part.split("/") if part else []
    for number in range(len(names)):
        element = element.slices["/".join(names[: number + 1])]
    return element


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
        or element.profiles
        or element.aggregation
        or element.versioning
        or element.rules
        or element.binding
        or element.max_length
        or any(one is not None for one in (element.wanted, element.low, element.high))
    )


def _steps(identity: str) -> list[tuple[str, str]]:
    """Split an element id into (name, slice) pairs."""
    found = []
    for step in identity.split("."):
        name, _, part = step.partition(":")
        found.append((name, part))
    return found


def _element(raw: Mapping[str, Any], name: str, part: str, lookup: Lookup) -> Element:
    found: dict[str, Any] = {}
    for key, wanted in _FORMS.items():
        if type(raw.get(key, wanted())) is not wanted:
            raise TypeError(key)
    for key, value in raw.items():
        for start in ("fixed", "pattern", "minValue", "maxValue"):
            if key.startswith(start):
                found[start] = value
    slicing = raw.get("slicing", {})
    kinds = raw.get("type", ())
    types = frozenset(code for one in kinds for code in _codes(one, lookup.type_of))
    profiles = tuple(profile for one in kinds for profile in one.get("profile", ()))
    targets = _targets(kinds, lookup.type_of)
    named = _named(raw.get("binding", {}))
    least, most = raw.get("min", 0), raw.get("max", "*")
    base = {} if part else _base(raw)
    if base:
        whole = frozenset(base.get("types", ()))
        types = types if types < whole or (whole == {"Resource"} and types != whole) else frozenset()
        known = {TYPES + one for one in base.get("profiles", {}).values()}
        profiles = tuple(one for one in profiles if one not in known)
        if targets.keys() == set(base.get("targets", ())) and not any(targets.values()):
            targets = {}
    return Element(
        name=name,
        slice=part,
        least=0 if base and least == raw["base"]["min"] else least,
        most=None if most == "*" or (base and most == raw["base"]["max"]) else int(most),
        types=types,
        targets=targets,
        aggregation=frozenset(mode for one in kinds for mode in one.get("aggregation", ())),
        versioning=next((one["versioning"] for one in kinds if one.get("versioning", "either") != "either"), ""),
        profiles=profiles,
        wanted=found.get("fixed", found.get("pattern")),
        exact="fixed" in found,
        low=found.get("minValue"),
        high=found.get("maxValue"),
        max_length=raw.get("maxLength"),
        binding=_binding(named, lookup) if not base or [*named] != base.get("binding", []) else None,
        rules=tuple(
            (str(one["key"]), str(one["severity"]), str(one["expression"]))
            for one in raw.get("constraint", ())
            if "expression" in one and one["expression"] not in _base_rules()
        ),
        discriminators=tuple((str(one["type"]), str(one["path"])) for one in slicing.get("discriminator", ()))
        or _implied(name),
        closed=slicing.get("rules") == "closed",
        at_end=slicing.get("rules") == "openAtEnd",
        ordered=bool(slicing.get("ordered")),
    )


_FORMS: Mapping[str, type] = {"id": str, "min": int, "max": str, "maxLength": int, "slicing": dict, "binding": dict}


def _implied(name: str) -> tuple[tuple[str, str], ...]:
    """Return how an element is sliced where nothing says so: extensions always by url, a choice by its type."""
    if name in ("extension", "modifierExtension"):
        return (("value", "url"),)
    return (("type", "$this"),) if name.endswith("[x]") else ()


def _codes(kind: Mapping[str, Any], type_of: Callable[[str], str]) -> set[str]:
    """Return the types that an element's type means; Resource with profiles means the types these constrain."""
    code = str(kind["code"])
    if code == "Resource" and kind.get("profile"):
        meant = {type_of(url.partition("|")[0]) for url in kind["profile"]}
        return meant if all(one.isalpha() for one in meant) else {code}
    return {"string" if code.startswith("http://hl7.org/fhirpath/System.") else code}


def _targets(kinds: Any, type_of: Callable[[str], str]) -> dict[str, tuple[str, ...]]:
    """Return the types a reference may lead to, each with the profiles asked of it; nothing if any may be."""
    found: dict[str, list[str]] = {}
    free = set()
    for target in (one for kind in kinds for one in kind.get("targetProfile", ())):
        bare = target.partition("|")[0]
        named = bare.removeprefix(TYPES)
        kind = type_of(bare)
        if kind == bare and named.isalpha():
            free.add(named)
            found.setdefault(named, [])
        else:
            found.setdefault(kind, []).append(bare)
    if "Resource" in found:
        return {}
    return {kind: () if kind in free else tuple(urls) for kind, urls in found.items()}


def _named(binding: Mapping[str, Any]) -> tuple[str, ...]:
    """Return a binding's strength, value set and widest value set, which R4 gives as an extension."""
    beside = (one.get("valueCanonical", "") for one in binding.get("extension", ()) if one.get("url") == _WIDEST)
    widest = str(binding.get("maxValueSet") or next(beside, "")).partition("|")[0]
    own = (str(binding.get("strength", "")), str(binding.get("valueSet", "")).partition("|")[0])
    return (*own, widest) if widest else own


def _binding(named: tuple[str, ...], lookup: Lookup) -> Bound | None:
    return bound_to(named, lambda url: lookup.members(url) or members(url))


def _base(raw: Mapping[str, Any]) -> Json:
    """Return the element of the base type that a profile's element constrains, or nothing if not known."""
    owner, _, name = raw.get("base", {}).get("path", "").rpartition(".")
    shape: Json = facts()["shapes"].get(owner, {"elements": ()})
    return next((one for one in shape["elements"] if one["name"] == name), {})


@cache
def _base_rules() -> frozenset[str]:
    """Return the FHIRPath of every rule the types themselves carry: the walker has asked those already."""
    shapes = facts()["shapes"].values()
    own = {rule[2] for one in shapes for rule in one["invariants"]}
    own |= {rule[2] for one in shapes for e in one["elements"] for rule in e.get("invariants", ())}
    return frozenset(own)
