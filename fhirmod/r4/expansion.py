"""ValueSets expanded to codes per system, for the generator only; run time reads the result.

An expansion is `{"codes": {system: [codes]}, "open": [systems]}`: `open` lists systems that are wholly
included but whose content is not carried here (ISO, IETF), so membership of a code cannot be denied.
Source: http://hl7.org/fhir/R4/valueset.html#compositions
"""

from collections.abc import Iterable
from typing import Any

from .terms import System, passes

Json = dict[str, Any]
Codes = dict[str, set[str]]


class Expander:
    """Expands value sets: whole systems, listed concepts, nested sets, excludes, is-a and its kin."""

    def __init__(self, value_sets: Iterable[Json], code_systems: Iterable[Json]) -> None:
        self._sets = {one["url"]: one for one in value_sets}
        self._systems = {one["url"]: one for one in code_systems}

    def expand_all(self, urls: Iterable[str]) -> dict[str, Json]:
        """Return the expansion of each known value set."""
        found = {}
        for url in urls:
            codes, unknown = self._expand(url)
            found[url] = {"codes": {s: sorted(c) for s, c in sorted(codes.items())}, "open": sorted(unknown)}
        return found

    def codes_of(self, system: str) -> set[str]:
        """Return every code of a code system that is carried whole."""
        return set(System(self._systems[system]).codes)

    def complete_systems(self) -> dict[str, list[str]]:
        """Return every code of the code systems that are carried whole and tell cases apart."""
        return {
            url: sorted(self.codes_of(url))
            for url, one in sorted(self._systems.items())
            if one.get("content") == "complete" and one.get("caseSensitive")
        }

    def _expand(self, url: str) -> tuple[Codes, set[str]]:
        if url not in self._sets:
            return {}, {"*"}
        compose = self._sets[url].get("compose", {})
        codes, unknown = self._union(compose.get("include", []))
        without, _ = self._union(compose.get("exclude", []))
        return {s: c - without.get(s, set()) for s, c in codes.items()}, unknown

    def _union(self, parts: list[Json]) -> tuple[Codes, set[str]]:
        codes: Codes = {}
        unknown: set[str] = set()
        for part in parts:
            some, open_systems = self._include(part)
            for system, found in some.items():
                codes.setdefault(system, set()).update(found)
            unknown |= open_systems
        return codes, unknown

    def _include(self, part: Json) -> tuple[Codes, set[str]]:
        if "valueSet" in part:
            if "system" in part or len(part["valueSet"]) != 1:
                raise NotImplementedError(f"an include of several sets: {part}")
            return self._expand(part["valueSet"][0].split("|")[0])
        system = part["system"]
        if "concept" in part:
            return {system: {c["code"] for c in part["concept"]}}, set()
        carried = self._systems.get(system, {})
        if carried.get("content") != "complete":
            return {}, {system}
        rules = part.get("filter", [])
        above = System(carried).above
        return {system: {code for code in above if all(passes(code, above[code], rule) for rule in rules)}}, set()
