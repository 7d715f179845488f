"""Which values a profile's element has in a resource, and which of its slices a value belongs to.

Source: http://hl7.org/fhir/R4/profiling.html#discriminator
"""

from collections.abc import Iterator, Mapping
from typing import Any

from .places import Place
from .profiles import Element
from .shapes import PRIMITIVES

Item = tuple[str, Any, Place]  # its type if a choice says so, its JSON value, where it stands


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


def belongs(element: Element, part: Element, item: Item) -> bool:
    """Return whether a value is of a slice by every discriminator."""
    kind, node, _ = item
    for how, path in element.discriminators:
        if how == "type":
            if path == "$this" and kind and kind not in part.types:
                return False
        elif how == "exists":
            there = any(True for _ in _reached(node, path))
            asked = below(part, path)
            if asked and there != (asked[0].least > 0):
                return False
        elif not _fits(part, path, node):
            return False
    return True


def _fits(part: Element, path: str, node: Any) -> bool:
    demands = part.demands.get(path)
    if demands is None:
        demands = [one for one in below(part, path) if one.wanted is not None or one.binding is not None]
        part.demands[path] = demands
    if not demands and path == "url" and part.profiles:
        return isinstance(node, dict) and node.get("url") in part.profiles
    values = list(_reached(node, path))
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


def below(part: Element, path: str) -> list[Element]:
    """Return the profile's elements at a path under a slice, its own slices included."""
    here = [part]
    for name in () if path == "$this" else path.split("."):
        stepped = [child for one in here for child in (one.children.get(name), one.children.get(name + "[x]")) if child]
        here = [one for child in stepped for one in (child, *child.slices.values())]
    return here


def _reached(node: Any, path: str) -> Iterator[Any]:
    here = [node]
    for name in () if path == "$this" else path.split("."):
        here = [item[1] for one in here if isinstance(one, dict) for item in _both(one, name)]
    yield from (one for one in here if one is not None)


def _both(node: Mapping[str, Any], name: str) -> list[Item]:
    return items(node, name, _NOWHERE) or items(node, name + "[x]", _NOWHERE)


_NOWHERE: Place = (None, "", -1)


def contains(value: Any, pattern: Any) -> bool:
    """Return whether a value has everything a pattern has (elementdefinition.html#pattern)."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(contains(value.get(k), p) for k, p in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(contains(v, p) for v in value) for p in pattern)
    return bool(value == pattern)
