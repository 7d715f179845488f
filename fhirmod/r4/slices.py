"""Which values a profile's element has in a resource, and which of its slices a value belongs to.

Source: http://hl7.org/fhir/R4/profiling.html#discriminator
"""

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from .places import Place
from .profiles import Element
from .shapes import PRIMITIVES

Item = tuple[str, Any, Place]  # its type if a choice says so, its JSON value, where it stands

_STEP = re.compile(r"\$this|extension\('([^']+)'\)|ofType\((\w+)\)|(resolve)\(\)|([A-Za-z][A-Za-z0-9]*)")
_NOWHERE: Place = (None, "", -1)


class Meeting:
    """What telling slices apart asks of the world: where a reference leads, and what conforms to a profile."""

    def __init__(
        self,
        resolve: Callable[[Any], Any],
        conforms: Callable[[Any, str], bool | None],
        root: Callable[[str], Element | None],
    ) -> None:
        self.resolve = resolve
        self.conforms = conforms
        self.root = root


def items(node: Mapping[str, Any], element: str, place: Place) -> list[Item]:
    """Return the values of one element, each with its place; a primitive with only an extension is None."""
    if not element.endswith("[x]"):
        return _under(node, element, "", place)
    bare = element[:-3]
    length = len(bare)
    keys = {key.removeprefix("_") for key in node}
    found: list[Item] = []
    for key in sorted(key for key in keys if key.startswith(bare) and key[length : length + 1].isupper()):
        found += [(_kind(key[length:]), one, (place, bare, at[2])) for _, one, at in _under(node, key, "", place)]
    return found


def _under(node: Mapping[str, Any], key: str, kind: str, place: Place) -> list[Item]:
    value = node.get(key)
    if value is None:
        beside = node.get("_" + key)
        if isinstance(beside, list):
            return [(kind, None, (place, key, index)) for index in range(len(beside))]
        return [] if beside is None else [(kind, None, (place, key, -1))]
    if isinstance(value, list):
        return [(kind, one, (place, key, index)) for index, one in enumerate(value)]
    return [(kind, value, (place, key, -1))]


def _kind(suffix: str) -> str:
    lower = suffix[:1].lower() + suffix[1:]
    return lower if lower in PRIMITIVES else suffix


def steps(path: str) -> list[tuple[str, str]] | None:
    """Return a discriminator's path as (what, name) steps, or None if it is not of R4's restricted FHIRPath."""
    found: list[tuple[str, str]] = []
    for part in re.split(r"\.(?![^(]*\))", path):
        step = _STEP.fullmatch(part)
        if step is None:
            return None
        extension, kind, resolve, name = step.groups()
        if extension or kind or resolve or name:
            what = "extension" if extension else "type" if kind else "resolve" if resolve else "name"
            found.append((what, extension or kind or resolve or name))
    return found


def belongs(element: Element, part: Element, item: Item, meeting: Meeting) -> bool:
    """Return whether a value is of a slice by every discriminator."""
    return all(_told(part, how, path, item, meeting) for how, path in element.discriminators)


def _told(part: Element, how: str, path: str, item: Item, meeting: Meeting) -> bool:
    kind, node, _ = item
    if how == "exists":
        there = any(True for _ in _reached(node, path, meeting))
        asked = [one for one in below(part, path, meeting) if one is not part]
        return not asked or there == (asked[0].least > 0)
    if how == "type":
        return _of_type(part, path, kind, node, meeting)
    if how == "profile":
        wanted = _profiles(part, path, meeting)
        return any(
            meeting.conforms(value, url) is not False for value in _reached(node, path, meeting) for url in wanted
        )
    return _fits(part, path, node, meeting)


def _of_type(part: Element, path: str, kind: str, node: Any, meeting: Meeting) -> bool:
    if path == "$this":
        found = {kind} if kind else {str(node.get("resourceType"))} if isinstance(node, dict) else set()
        return not part.types or bool(found & part.types) or found in ({""}, {"None"})
    wanted: set[str] = set()
    for one in below(part, path, meeting):
        wanted |= one.types
    if path.endswith("resolve()"):
        for one in below(part, path.removesuffix("resolve()").rstrip(".") or "$this", meeting):
            wanted |= set(one.targets)
    kinds = set(_kinds(node, path, meeting))
    return not wanted or bool(kinds & wanted)


def _kinds(node: Any, path: str, meeting: Meeting) -> Iterator[str]:
    """Return the types of the values at a path: what a choice says, or a resource's own."""
    *before, (what, name) = steps(path) or [("name", "")]
    for one in _walk(node, before, meeting):
        if what == "name" and isinstance(one, dict):
            yield from (kind for kind, _, _ in items(one, name + "[x]", _NOWHERE) if kind)
        for value in _walk(one, [(what, name)], meeting):
            if isinstance(value, dict) and "resourceType" in value:
                yield str(value["resourceType"])


def _profiles(part: Element, path: str, meeting: Meeting) -> set[str]:
    """Return the profiles that a slice asks of what a path leads to."""
    found: set[str] = set()
    resolved = path.endswith("resolve()")
    inner = path.removesuffix("resolve()").rstrip(".") or "$this" if resolved else path
    for one in below(part, inner, meeting):
        found |= {url for urls in one.targets.values() for url in urls} if resolved else {*one.profiles}
    return found


def _fits(part: Element, path: str, node: Any, meeting: Meeting) -> bool:
    demands = part.demands.get(path)
    if demands is None:
        asked = below(part, path, meeting)
        demands = [one for one in asked if one.wanted is not None or one.binding is not None]
        part.demands[path] = demands
    if not demands and path == "url" and part.profiles:
        return isinstance(node, dict) and node.get("url") in part.profiles
    values = list(_reached(node, path, meeting))
    return any(_satisfies(one, value) for one in demands for value in values)


def _satisfies(element: Element, value: Any) -> bool:
    if element.wanted is not None:
        return bool(value == element.wanted if element.exact else contains(value, element.wanted))
    members = element.binding.members if element.binding else None
    if members is None:
        return False
    if isinstance(value, dict):
        codings = value.get("coding", [value])
        return any(members.coding(one) for one in codings if isinstance(one, dict))
    return isinstance(value, str) and members.code(value)


def below(part: Element, path: str, meeting: Meeting | None = None) -> list[Element]:
    """Return the profile's elements at a path under a slice, its own slices included."""
    here = [part]
    for what, name in steps(path) or ():
        stepped: list[Element | None] = []
        for one in here:
            if what == "name":
                stepped += _named(one, name, meeting)
            elif what == "extension":
                stepped += [x for x in _under_slices(one, "extension") if name in x.profiles or _url(x) == name]
            elif what == "type":
                stepped.append(one)
            elif meeting is not None:
                stepped += [meeting.root(url) for urls in one.targets.values() for url in urls]
        here = [one for child in stepped if child for one in (child, *child.slices.values())]
    return here


def _named(one: Element, name: str, meeting: Meeting | None) -> list[Element | None]:
    found = [one.children.get(name), one.children.get(name + "[x]")]
    if not any(found) and meeting is not None:  # what a profile of the type says of it
        roots = [meeting.root(url) for url in one.profiles]
        found = [
            child for root in roots if root for child in (root.children.get(name), root.children.get(name + "[x]"))
        ]
    return found


def _under_slices(one: Element, name: str) -> list[Element]:
    child = one.children.get(name)
    return [] if child is None else [*child.slices.values()]


def _url(one: Element) -> Any:
    child = one.children.get("url")
    return child.wanted if child is not None else None


def _reached(node: Any, path: str, meeting: Meeting) -> Iterator[Any]:
    yield from (one for one in _walk(node, steps(path) or [], meeting) if one is not None)


def _walk(node: Any, path: list[tuple[str, str]], meeting: Meeting) -> list[Any]:
    here = [node]
    for what, name in path:
        found: list[Any] = []
        for one in here:
            if not isinstance(one, dict):
                continue
            if what == "name":
                found += [item[1] for item in _both(one, name)]
            elif what == "extension":
                found += [x for x in one.get("extension", ()) if isinstance(x, dict) and x.get("url") == name]
            elif what == "type":
                found.append(one)
            elif (target := meeting.resolve(one)) is not None:
                found.append(target)
        here = found
    return here


def _both(node: Mapping[str, Any], name: str) -> list[Item]:
    return items(node, name, _NOWHERE) or items(node, name + "[x]", _NOWHERE)


def contains(value: Any, pattern: Any) -> bool:
    """Return whether a value has everything a pattern has (elementdefinition.html#pattern)."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(contains(value.get(k), p) for k, p in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(contains(v, p) for v in value) for p in pattern)
    return bool(value == pattern)
