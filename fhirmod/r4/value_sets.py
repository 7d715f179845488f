"""ValueSet resources compiled to what they hold: partners' own, which may draw on each other and on R4's.

What cannot be known (the content of a system that is not carried, a set that is not known, a filter on other
properties) is open: it denies nothing.
Source: http://hl7.org/fhir/R4/valueset.html#compositions
"""

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from .bindings import Members
from .inputs import read_input
from .terms import NotHeldError, System, passes

Json = Mapping[str, Any]
Find = Callable[[str], Members]
Held = tuple[dict[str, set[str]], set[str]]  # codes by system; the systems whose codes cannot be denied


def compiled(value_set: Json, find: Find, systems: Mapping[str, Json]) -> Members:
    """Return the members of a ValueSet; `find` leads to those of the sets it draws on, `systems` are partners' own.

    Shape: a set without `compose` holds what its expansion lists.
    Errors: KeyError, TypeError, ValueError or AttributeError if it has not the form of a ValueSet.
    """
    compose = value_set.get("compose")
    if compose is None:
        codes, unknown = _listed(value_set.get("expansion", {}).get("contains", ())), set[str]()
    else:
        codes, unknown = _union(compose.get("include", ()), find, systems)
    without: dict[str, frozenset[str]] = {}
    for part in compose.get("exclude", ()) if compose else ():
        if part.keys() <= {"system", "version"} and "system" in part:  # the whole system
            codes.pop(part["system"], None)
            unknown.discard(part["system"])
            continue
        for system, out in _part(part, find, systems)[0].items():
            codes[system] = codes.get(system, set()) - out
            without[system] = without.get(system, frozenset()) | out
    every = frozenset(code for some in codes.values() for code in some)
    if not all(isinstance(one, str) for one in (*every, *codes, *unknown)):
        raise TypeError("code")
    pairs = {system: frozenset(some) for system, some in codes.items()}
    return Members(str(value_set["url"]), pairs, every, frozenset(unknown), None, without=without)


def _listed(contains: Iterable[Json]) -> dict[str, set[str]]:
    codes: dict[str, set[str]] = {}
    for one in contains:
        if "code" in one and not one.get("abstract"):
            codes.setdefault(one.get("system", ""), set()).add(one["code"])
        for system, some in _listed(one.get("contains", ())).items():
            codes.setdefault(system, set()).update(some)
    return codes


def _union(parts: Iterable[Json], find: Find, systems: Mapping[str, Json]) -> Held:
    codes: dict[str, set[str]] = {}
    unknown: set[str] = set()
    for part in parts:
        some, more = _part(part, find, systems)
        for system, found in some.items():
            codes.setdefault(system, set()).update(found)
        unknown |= more
    return codes, unknown


def _part(part: Json, find: Find, systems: Mapping[str, Json]) -> Held:
    """Return what one include takes: of its system, what stands in each of its value sets too."""
    held = _of_system(part, systems) if "system" in part else None
    for url in part.get("valueSet", ()):
        members = find(str(url).partition("|")[0])
        other = ({system: set(codes) for system, codes in members.pairs.items()}, set(members.open))
        if members.grammar is not None:
            other = ({}, {members.system})
        held = other if held is None else _in_both(held, other)
    return held or ({}, set())


def _in_both(one: Held, other: Held) -> Held:
    codes: dict[str, set[str]] = {}
    for (mine, _), (theirs, open_) in ((one, other), (other, one)):
        for system, some in mine.items():
            both = some if system in open_ or "*" in open_ else some & theirs.get(system, set())
            codes.setdefault(system, set()).update(both)
    open_in_both = one[1] & other[1]
    open_in_both |= one[1] if "*" in other[1] else set()
    open_in_both |= other[1] if "*" in one[1] else set()
    return codes, open_in_both


def _of_system(part: Json, systems: Mapping[str, Json]) -> Held:
    url = str(part["system"])
    if part.get("concept"):
        return {url: {one["code"] for one in part["concept"]}}, set()
    system = System(systems[url]) if url in systems else _r4_system(url)
    if system is None or not system.whole or not system.cased:
        return {}, {url}
    try:
        rules = part.get("filter", ())
        codes = {code for code, above in system.above.items() if all(passes(code, above, rule) for rule in rules)}
    except NotHeldError:
        return {}, {url}
    return {url: codes}, set()


@cache
def _r4_system(url: str) -> System | None:
    """Return a code system of R4's with its hierarchy: read only where a partner's value set draws on it."""
    return next((System(one) for one in read_input("code-systems") if one["url"] == url), None)
