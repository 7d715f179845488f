"""The profiles and extensions that are known: R4's own, and those that whoever calls the engine brings along."""

from collections.abc import Iterable, Iterator, Mapping
from functools import cache, lru_cache
from typing import Any

from fhirmod.errors import InvalidError

from .bindings import Members, members
from .definition_reading import by_url, reading
from .facts import facts
from .inputs import read_input
from .profiles import TYPES, Lookup, Profile, compile_profile
from .snapshot import snapshot
from .value_sets import compiled


class Known:
    """Definitions by canonical URL; each is compiled when first asked for.

    Shape: a definition without a snapshot gets one from its differential; `value_sets` may draw on
           each other, on `code_systems` and on R4's.
    Errors: InvalidError for a definition without a URL.
    """

    def __init__(
        self,
        definitions: Iterable[Mapping[str, Any]] = (),
        value_sets: Iterable[Mapping[str, Any]] = (),
        code_systems: Iterable[Mapping[str, Any]] = (),
    ) -> None:
        self._value_sets = by_url("ValueSet", value_sets)
        self._code_systems = by_url("CodeSystem", code_systems)
        self._members: dict[str, Members] = {}
        self._lookup = Lookup(self.type_of, self._own_members)
        self._own = by_url("StructureDefinition", definitions)
        self._complete: dict[str, Mapping[str, Any]] = {}
        self._compiled: dict[str, Profile] = {}
        self.extensions = frozenset(url for url, one in self._own.items() if one.get("type") == "Extension")

    def __iter__(self) -> Iterator[str]:
        """Return the URLs brought along."""
        return iter(self._own)

    def definition(self, url: str) -> Mapping[str, Any] | None:
        """Return a definition with a snapshot by its URL (a version after | is left aside), or None.

        Errors: InvalidError if its differential does not fit its base.
        """
        return self._definition(url, frozenset())

    def _definition(self, url: str, above: frozenset[str]) -> Mapping[str, Any] | None:
        """Return the same; `above` are those whose snapshots wait for this one."""
        bare = url.partition("|")[0]
        if bare not in self._own:
            return _r4_definitions().get(bare)
        if bare in above:
            raise InvalidError(
                f"The definition {bare[:200]} is made from itself; wanted a base that is another.",
                place="StructureDefinition.baseDefinition",
            )
        if bare not in self._complete:
            one = self._own[bare]
            with reading("StructureDefinition", one):
                waiting = above | {bare}
                elements = None if "snapshot" in one else snapshot(one, lambda base: self._definition(base, waiting))
            self._complete[bare] = one if elements is None else {**one, "snapshot": {"element": elements}}
        return self._complete[bare]

    def profile(self, url: str) -> Profile | None:
        """Return a compiled profile by its URL, or None; R4's types themselves are no profiles.

        Shape: a URL that names another version (after |) than the one brought along is not known.
        Errors: InvalidError if its differential does not fit its base.
        """
        bare, _, version = url.partition("|")
        if bare not in self._own:
            return r4_profile(bare)
        if version and version != self._own[bare].get("version", version):
            return None
        if bare not in self._compiled:
            definition = self.definition(bare)
            if definition is not None:
                with reading("StructureDefinition", self._own[bare]):
                    self._compiled[bare] = compile_profile(definition, self._lookup)
        return self._compiled.get(bare)

    def _own_members(self, url: str) -> Members | None:
        """Return the members of a value set brought along; one that draws on itself holds nothing more by that."""
        if url not in self._members and url in self._value_sets:
            self._members[url] = Members(url, {}, frozenset(), frozenset(), None)
            with reading("ValueSet", self._value_sets[url]):
                self._members[url] = compiled(
                    self._value_sets[url], lambda other: self._own_members(other) or members(other), self._code_systems
                )
        return self._members.get(url)

    def claimable(self) -> Iterator[Profile]:
        """Return the profiles that resources may claim: those brought along that fit their base, and R4's own."""
        for url in (*self._own, *facts()["profiles"]):
            try:
                one = self.profile(url)
            except InvalidError:
                continue
            if one is not None and one.type != "Extension":
                yield one

    def type_of(self, url: str) -> str:
        """Return the type that a profile constrains, or the URL itself if it is not known."""
        known = self._own.get(url) or facts()["profiles"].get(url)
        return str(known["type"]) if known else url


@lru_cache(maxsize=64)  # the URL comes from whoever asks, so what is kept is bounded
def r4_profile(url: str) -> Profile | None:
    """Return one of R4's own carried profiles, compiled once."""
    raw = facts()["profiles"].get(url)
    if raw is None and url.removeprefix(TYPES) in facts()["datatype_profiles"]:
        raw = _r4_definitions()[url]
    return None if raw is None else compile_profile(raw, _R4_LOOKUP)


@cache
def _r4_definitions() -> Mapping[str, Mapping[str, Any]]:
    """Return R4's type definitions: read only where a differential needs its base."""
    return {one["url"]: one for one in read_input("structure-definitions")}


@cache
def by_code() -> Mapping[tuple[str, str, str], str]:
    """Return which of R4's profiles a (type, system, code) calls for: its fixed code says so."""
    found = {}
    for url in facts()["profiles"]:
        one = r4_profile(url)
        code = one.root.children.get("code") if one else None
        for part in code.children["coding"].slices.values() if code and "coding" in code.children else ():
            system, wanted = part.children.get("system"), part.children.get("code")
            if one and system and wanted and isinstance(wanted.wanted, str):
                found[one.type, str(system.wanted), wanted.wanted] = url
    return found


def _r4_type_of(url: str) -> str:
    known = facts()["profiles"].get(url)
    return str(known["type"]) if known else url


_R4_LOOKUP = Lookup(_r4_type_of)
R4 = Known()
