"""Which values a profile's element has in a resource, and what its slices say that tells them apart.

Source: http://hl7.org/fhir/R4/profiling.html#discriminator
"""

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from itertools import zip_longest
from typing import Any, NamedTuple

from .places import Place
from .profiles import Element
from .shapes import PRIMITIVES

DEFAULT = "@default"  # the slice of what is of no other

_STEP = re.compile(r"\$this|extension\('([^']+)'\)|ofType\((\w+)\)|(resolve)\(\)|([A-Za-z][A-Za-z0-9]*)")


class Item(NamedTuple):
    """One value of an element.

    Shape: `kind` is its type if a choice says so, `value` its JSON value, None where a primitive has only what stands
           `beside` it (its id or extensions).
    """

    kind: str
    value: Any
    place: Place
    beside: Any = None


class Meeting:
    """What telling slices apart asks of the world: where a reference leads, and what conforms to a profile.

    Shape: `resolve` takes a Reference, the place of the sliced value and the resource inside that it stands in.
    """

    def __init__(
        self,
        resolve: Callable[[Any, Place, Any], Any],
        conforms: Callable[[Any, str], bool | None],
        root: Callable[[str], Element | None],
    ) -> None:
        self.resolve = resolve
        self.conforms = conforms
        self.root = root


def items(node: Mapping[str, Any], element: str, place: Place) -> list[Item]:
    """Return the values of one element, each with its place."""
    if not element.endswith("[x]"):
        return _under(node, element, "", (place, element, -1))
    bare = element[:-3]
    length = len(bare)
    keys = {key.removeprefix("_") for key in node}
    found: list[Item] = []
    for key in sorted(key for key in keys if key.startswith(bare) and key[length : length + 1].isupper()):
        found += _under(node, key, kind_of(key[length:]), (place, bare, -1))
    return found


def _under(node: Mapping[str, Any], key: str, kind: str, place: Place) -> list[Item]:
    value, beside = node.get(key), node.get(f"_{key}")
    if not isinstance(value, list) and not isinstance(beside, list):
        return [] if value is None and beside is None else [Item(kind, value, place, beside)]
    pairs = zip_longest(*(one if isinstance(one, list) else [] for one in (value, beside)))
    return [Item(kind, one, (place[0], place[1], index), extra) for index, (one, extra) in enumerate(pairs)]


def kind_of(suffix: str) -> str:
    lower = suffix[:1].lower() + suffix[1:]
    return lower if lower in PRIMITIVES else suffix


@lru_cache(maxsize=1024)
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


def demands(part: Element, path: str, meeting: Meeting | None = None) -> list[Element]:
    """Return what tells a slice at a path: the elements there that say of what value they are."""
    found = part.demands.get(path)
    if found is None:
        found = [one for one in below(part, path, meeting) if says(one)]
        if not found and path == "url":
            found = [replace(_BLANK, wanted=url.partition("|")[0], exact=True) for url in part.profiles]
        if meeting is not None:
            part.demands[path] = found
    return found


def says(element: Element) -> bool:
    """Return whether an element is of certain values: by fixed, pattern or required binding, its own or below."""
    required = element.binding is not None and element.binding.strength == "required"
    return element.wanted is not None or required or any(says(child) for child in element.children.values())


def below(part: Element, path: str, meeting: Meeting | None = None) -> list[Element]:
    """Return the profile's elements at a path under a slice, its own slices included.

    Shape: what a fixed or pattern value says of a property below it stands as an element too.
    """
    here = [part]
    for what, name in steps(path) or ():
        stepped: list[Element | None] = []
        for one in here:
            if what == "name":
                stepped += _named(one, name, meeting)
                stepped += _within(one, name)
            elif what == "extension":
                stepped += [x for x in _under_slices(one, "extension") if name in _bare(x.profiles) or _url(x) == name]
            elif what == "type":
                stepped += [one] if not one.types or name in one.types else []
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


def _within(one: Element, name: str) -> list[Element | None]:
    """Return what an element's fixed or pattern value says of one property."""
    said = one.wanted.get(name) if isinstance(one.wanted, dict) else None
    values = said if isinstance(said, list) else [] if said is None else [said]
    return [replace(_BLANK, name=name, wanted=value, exact=one.exact) for value in values]


def _under_slices(one: Element, name: str) -> list[Element]:
    child = one.children.get(name)
    return [] if child is None else [*child.slices.values()]


def _bare(urls: tuple[str, ...]) -> set[str]:
    return {url.partition("|")[0] for url in urls}


def _url(one: Element) -> Any:
    child = one.children.get("url")
    return child.wanted if child is not None else None


_BLANK = Element(
    name="",
    slice="",
    least=0,
    most=None,
    types=frozenset(),
    targets={},
    aggregation=frozenset(),
    versioning="",
    profiles=(),
    wanted=None,
    exact=False,
    low=None,
    high=None,
    max_length=None,
    binding=None,
    rules=(),
    discriminators=(),
    closed=False,
    at_end=False,
    ordered=False,
)


def contains(value: Any, pattern: Any) -> bool:
    """Return whether a value has everything a pattern has (elementdefinition.html#pattern)."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(contains(value.get(k), p) for k, p in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and all(any(contains(v, p) for v in value) for p in pattern)
    return bool(value == pattern)
