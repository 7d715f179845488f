"""What value sets, code systems and concept maps say: expansion, membership, displays, translation.

It knows what it is given and nothing else: a system of which only some codes are at hand is never expanded whole, and
a code of it that is not at hand is neither confirmed nor denied.
Source: http://hl7.org/fhir/R4/valueset.html#compositions, valueset-operations.html, conceptmap-operations.html
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

Json = Mapping[str, Any]

# A translation read backwards: http://hl7.org/fhir/R4/valueset-concept-map-equivalence.html
_REVERSED = {"wider": "narrower", "narrower": "wider", "subsumes": "specializes", "specializes": "subsumes"}


@dataclass(frozen=True, slots=True)
class Coded:
    """One code of a system, with its display if that is at hand."""

    system: str
    code: str
    display: str = ""

    def coding(self) -> dict[str, str]:
        """Return it as a Coding."""
        said = {"system": self.system, "code": self.code, "display": self.display}
        return {key: value for key, value in said.items() if value}


@dataclass(frozen=True, slots=True)
class Match:
    """One translation: what a code is elsewhere, how their meanings stand, and which map says so."""

    equivalence: str
    coded: Coded
    map: str


class NotHeldError(Exception):
    """Something that cannot be said without content that is not at hand; the argument names the system or set."""


class System:
    """A code system: its codes in order, those above each, whether that is all of it."""

    def __init__(self, resource: Json) -> None:
        self.url = str(resource["url"])
        self.resource = resource
        self.whole = resource.get("content") == "complete"
        self.cased = bool(resource.get("caseSensitive", True))
        self.codes: dict[str, Json] = {}
        self.above: dict[str, frozenset[str]] = {}
        self._read(resource.get("concept", ()), frozenset())

    def _read(self, concepts: Iterable[Json], above: frozenset[str]) -> None:
        for one in concepts:
            parents = {p["valueCode"] for p in one.get("property", ()) if p.get("code") == "subsumedBy"}
            self.codes[one["code"]] = one
            self.above[one["code"]] = above | parents
            self._read(one.get("concept", ()), above | parents | {one["code"]})

    def find(self, code: str) -> Json | None:
        """Return the concept of a code, whatever its case where the system does not tell cases apart."""
        if code in self.codes or self.cased:
            return self.codes.get(code)
        return next((one for own, one in self.codes.items() if own.casefold() == code.casefold()), None)


class Terms:
    """Value sets, code systems and concept maps by their canonicals."""

    def __init__(self, resources: Iterable[Json]) -> None:
        self._resources = tuple(resources)
        self.value_sets = self._of("ValueSet")
        self.maps = self._of("ConceptMap")
        self.code_systems = self._of("CodeSystem")
        self._systems: dict[str, System] = {}

    def _of(self, type_: str) -> dict[str, Json]:
        return {one["url"]: one for one in self._resources if one["resourceType"] == type_}

    def system(self, url: str) -> System | None:
        """Return a code system that is at hand, in whole or in part, or None."""
        if url not in self._systems and url in self.code_systems:
            self._systems[url] = System(self.code_systems[url])
        return self._systems.get(url)

    @cached_property
    def _named(self) -> dict[str, dict[str, str]]:
        """Return the displays that value sets and maps give to codes, by system."""
        found: dict[str, dict[str, str]] = {}
        for system, one in self._mentioned():
            some = found.setdefault(system, {})
            some[one["code"]] = some.get(one["code"]) or one.get("display", "")  # R4's own lists often have no display
        return found

    def _mentioned(self) -> Iterator[tuple[str, Json]]:
        for one in self.value_sets.values():
            for part in one.get("compose", {}).get("include", ()):
                yield from ((part["system"], each) for each in part.get("concept", ()))
        for one in self.maps.values():
            for group in one.get("group", ()):
                for element in group.get("element", ()):
                    yield from ((group["target"], each) for each in element.get("target", ()))

    def find(self, system: str, code: str) -> Coded | None:
        """Return a code with its display, or None if the system, which is here whole, has none such.

        Errors: NotHeldError if only a part of the system is here and the code is none of that.
        """
        held = self.system(system)
        concept = held.find(code) if held else None
        if concept is not None:
            return Coded(system, concept["code"], concept.get("display", ""))
        if held is not None and held.whole:
            return None
        if code in self._named.get(system, {}):
            return Coded(system, code, self._named[system][code])
        raise NotHeldError(system)

    def expand(self, value_set: Json) -> list[Coded]:
        """Return the members of a value set, in its order.

        Errors: NotHeldError if it takes in codes that are not at hand.
        """
        compose = value_set.get("compose", {})
        without = {(one.system, one.code) for part in compose.get("exclude", ()) for one in self._part(part)}
        found: dict[tuple[str, str], Coded] = {}
        for part in compose.get("include", ()):
            for one in self._part(part):
                if (one.system, one.code) not in without:
                    found.setdefault((one.system, one.code), one)
        return list(found.values())

    def _part(self, part: Json) -> Iterator[Coded]:
        """Return what one include or exclude takes: of its system, what stands in each of its value sets too."""
        sets = [self._members(url) for url in part.get("valueSet", ())]
        if "system" not in part:
            first, *others = sets or [{}]
            yield from (one for key, one in first.items() if all(key in other for other in others))
            return
        for one in self._of_system(part):
            if all((one.system, one.code) in other for other in sets):
                yield one

    def _members(self, url: str) -> dict[tuple[str, str], Coded]:
        value_set = self.value_sets.get(url.partition("|")[0])
        if value_set is None:
            raise NotHeldError(url)
        return {(one.system, one.code): one for one in self.expand(value_set)}

    def _of_system(self, part: Json) -> Iterator[Coded]:
        url = str(part["system"])
        held = self.system(url)
        if "concept" in part:
            for one in part["concept"]:
                known = held.find(one["code"]) if held else None
                display = (
                    one.get("display") or (known or {}).get("display") or self._named.get(url, {}).get(one["code"], "")
                )
                yield Coded(url, one["code"], display)
            return
        if held is None or not held.whole:
            raise NotHeldError(url)
        for code, concept in held.codes.items():
            if all(passes(code, held.above[code], rule) for rule in part.get("filter", ())):
                yield Coded(url, code, concept.get("display", ""))

    def member(self, value_set: Json, system: str, code: str) -> Coded | None:
        """Return the member of a value set that a code is, or None if it is none.

        Errors: NotHeldError if that cannot be told: the set takes in codes of this system that are not at hand.
        """
        compose = value_set.get("compose", {})
        if any(one.code == code for one in self._parts_of(compose.get("exclude", ()), system, code)):
            return None
        return next(iter(self._parts_of(compose.get("include", ()), system, code)), None)

    def _parts_of(self, parts: Iterable[Json], system: str, code: str) -> list[Coded]:
        """Return a code once for each part that takes it; parts of other systems are not looked into."""
        held = self.system(system)
        cased = held is None or held.cased
        missing: NotHeldError | None = None
        found: list[Coded] = []
        for part in parts:
            if part.get("system", system) == system:
                try:
                    found += [one for one in self._part(part) if one.system == system and _is(one.code, code, cased)]
                except NotHeldError as wanted:
                    missing = wanted
        if missing is not None and not found:
            raise missing
        return found

    def translate(self, coded: Coded, maps: Iterable[Json], target: str | None, *, reverse: bool) -> Iterator[Match]:
        """Return what a code is by these maps, in a target system if one is named; or what maps to it."""
        for one in maps:
            for group in one.get("group", ()):
                here, there = (group["target"], group["source"]) if reverse else (group["source"], group["target"])
                if here == coded.system and target in (None, there):
                    yield from self._matches(one, group, coded.code, there, reverse=reverse)

    def _matches(self, one: Json, group: Json, code: str, there: str, *, reverse: bool) -> Iterator[Match]:
        for element in group.get("element", ()):
            for target in element.get("target", ()):
                asked, given = (target, element) if reverse else (element, target)
                if asked["code"] == code:
                    said = target["equivalence"]
                    word = _REVERSED.get(said, said) if reverse else said
                    yield Match(word, Coded(there, given["code"], given.get("display", "")), one["url"])


def _is(own: str, code: str, cased: bool) -> bool:
    return own == code or (not cased and own.casefold() == code.casefold())


def passes(code: str, above: frozenset[str], rule: Json) -> bool:
    """Return whether a code passes a filter.

    Errors: NotHeldError for a filter on what is not at hand.
    """
    if rule.get("property") not in ("concept", "code"):
        raise NotHeldError(f"the property {rule.get('property')}")
    match rule["op"]:
        case "=":
            return bool(code == rule["value"])
        case "is-a":
            return code == rule["value"] or rule["value"] in above
        case "descendent-of":
            return rule["value"] in above
        case "is-not-a":
            return code != rule["value"] and rule["value"] not in above
        case _:
            raise NotHeldError(f"the filter {rule['op']}")
