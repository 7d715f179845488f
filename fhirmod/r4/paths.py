"""Compiled paths: the part of FHIRPath that R4 search parameters, compartments and patches are written in.

A path is `Type.name.name[0]`, with `as`/`ofType`, `where(name='text')`, `where(resolve() is Type)`,
`where(hasExtension('url'))`, `extension('url')`, joined by `|`. `resolve() is Type` is answered from the
text of the reference, never by fetching. Anything else is not compiled: `OutsideError` names it.
"""

import re
from collections.abc import Callable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Any

from .invariants.logic import each
from .shapes import PRIMITIVES, shape

_ABSOLUTE = re.compile(r"(?:^|/)([A-Z][A-Za-z]+)/[A-Za-z0-9.\-]{1,64}(?:/_history/[A-Za-z0-9.\-]{1,64})?$")


@dataclass(frozen=True, slots=True)
class Node:
    """One value a path arrives at: its R4 type, the JSON value and the FHIRPath place it stands at."""

    type: str
    value: Any
    place: str


class OutsideError(Exception):
    """The expression uses FHIRPath that compiled paths do not cover."""


Step = Callable[[list[Node], dict[str, Any]], list[Node]]


@dataclass(frozen=True, slots=True)
class Chain:
    """Keys to follow one below the other, the type at their end, and the type that what stands there must refer to."""

    keys: tuple[str, ...]
    type: str
    target: str | None = None


@dataclass(frozen=True, slots=True)
class Branch:
    """One term of a union: its steps, the properties one of which must be there, and its chains if it is no more."""

    steps: tuple[Step, ...]
    begins: frozenset[str] = frozenset()
    chains: tuple[Chain, ...] | None = None


@dataclass(frozen=True, slots=True)
class Path:
    """A compiled expression for one resource type."""

    expression: str
    branches: tuple[Branch, ...]

    def begins(self, keys: AbstractSet[str]) -> AbstractSet[str]:
        """Return those of these properties of a resource below which the path may arrive at a node."""
        return frozenset(key for one in self.branches for key in (one.begins & keys if one.begins else keys))

    def select(self, resource: dict[str, Any]) -> list[Node]:
        """Return every node the path arrives at, in document order per branch of a union."""
        kind = str(resource.get("resourceType", ""))
        found: list[Node] = []
        for branch in self.branches:
            if not branch.begins or not branch.begins.isdisjoint(resource):
                found += _walked(branch, Node(kind, resource, kind), resource)
        return found

    def values(self, resource: dict[str, Any], below: Node | None = None) -> list[Node]:
        """Return what `select` returns, or what stands so below a node, without the places: most branches are keys."""
        found: list[Node] = []
        begin = resource if below is None else below.value
        for branch in self.branches:
            if branch.begins and branch.begins.isdisjoint(begin):
                continue
            if branch.chains is None:
                kind = str(resource.get("resourceType", ""))
                found += _walked(branch, below or Node(kind, resource, kind), resource)
                continue
            for chain in branch.chains:
                for value in each(begin, *chain.keys):
                    if chain.target is None or _target(value, resource) == chain.target:
                        found.append(Node(chain.type, value, ""))
        return found


def _walked(branch: Branch, node: Node, resource: dict[str, Any]) -> list[Node]:
    nodes = [node]
    for step in branch.steps:
        nodes = step(nodes, resource)
        if not nodes:
            break
    return nodes


@cache
def compile_path(type_name: str, expression: str) -> Path:
    """Return the path of a search expression for one resource type; branches of other types drop out.

    Errors: OutsideError if the expression is outside what compiled paths cover.
    """
    branches = []
    for term in _split(expression, "|"):
        segments = _segments(term)
        if segments[0] in (type_name, "Resource", "DomainResource"):
            branches.append(_branch(type_name, segments[1:]))
    return Path(expression, tuple(branches))


def _chains(type_name: str, segments: list[str]) -> tuple[Chain, ...] | None:
    """Return the chains that say the same as these segments; None if they filter, count, or enter any resource."""
    chains = [Chain((), type_name)]
    for segment in segments:
        if any(one.target is not None or one.type == "Resource" for one in chains):
            return None
        cast, resolves = _TYPE.match(segment), _RESOLVE.match(segment)
        if cast:
            chains = [one for one in chains if one.type == _named(cast[1])]
        elif resolves:
            chains = [replace(one, target=resolves[1]) for one in chains]
        elif _PLAIN.match(segment):
            try:
                fields = [(one, shape(one.type).by_name.get(segment, ())) for one in chains]
            except KeyError:  # a type that is not carried
                return None
            chains = [Chain((*one.keys, field.key), field.type) for one, its in fields for field in its]
        else:
            return None
    return tuple(chains)


def _properties(type_name: str, segments: list[str]) -> frozenset[str]:
    """Return the properties that a branch can begin with; a cast right behind a choice leaves one of them."""
    if not segments:
        return frozenset()
    name = segments[0].partition("[")[0].partition("(")[0]
    try:
        fields = shape(type_name).by_name.get(name, ())
    except KeyError:  # a type that is not carried: nothing to go by
        return frozenset()
    cast = _TYPE.match(segments[1]) if len(segments) > 1 else None
    kept = [field.key for field in fields if cast is None or field.type == _named(cast[1])]
    return frozenset(kept or (field.key for field in fields))


@cache
def compile_below(type_name: str, expression: str) -> Path:
    """Return the path of an expression that starts at a node of a type, not at a resource (composite components).

    Errors: OutsideError if the expression is outside what compiled paths cover.
    """
    terms = [_segments(term) for term in _split(expression, "|")]
    return Path(expression, tuple(_branch(type_name, segments) for segments in terms))


def _branch(type_name: str, segments: list[str]) -> Branch:
    steps = tuple(_step(segment) for segment in segments)
    return Branch(steps, _properties(type_name, segments), _chains(type_name, segments))


def type_in(reference: str) -> str:
    """Return the resource type a reference's text names, or an empty text.

    >>> type_in("https://example.org/fhir/Patient/1/_history/2"), type_in("urn:uuid:0c3151bd")
    ('Patient', '')
    """
    found = _ABSOLUTE.search(reference)
    return found[1] if found else ""


def _split(text: str, at: str) -> list[str]:
    parts, depth, quoted, begin = [], 0, False, 0
    for index, letter in enumerate(text):
        if letter == "'":
            quoted = not quoted
        elif not quoted:
            depth += (letter == "(") - (letter == ")")
            if letter == at and depth == 0:
                parts.append(text[begin:index].strip())
                begin = index + 1
    return [*parts, text[begin:].strip()]


_AS = re.compile(r"^\(([A-Za-z.\[\]0-9]+) as ([A-Za-z]+)\)(.*)$")
_PLAIN = re.compile(r"^([A-Za-z][A-Za-z0-9]*)$")
_INDEX = re.compile(r"^([A-Za-z][A-Za-z0-9]*)\[(\d+)\]$")
_TYPE = re.compile(r"^(?:as|ofType)\(([A-Za-z]+)\)$")
_EQUALS = re.compile(r"^where\(([a-z][A-Za-z]*)\s*=\s*'([^']*)'\)$")
_RESOLVE = re.compile(r"^where\(resolve\(\) is ([A-Z][A-Za-z]+)\)$")
_HAS_EXTENSION = re.compile(r"^where\(hasExtension\('([^']*)'\)\)$")
_EXTENSION = re.compile(r"^extension\('([^']*)'\)$")


def _segments(term: str) -> list[str]:
    cast = _AS.match(term)
    if cast:
        term = f"{cast[1]}.as({cast[2]}){cast[3]}"
    segments = _split(term, ".")
    # R4's own expressions end at extension('url') and mean its value, where that step arrives; others say .value too
    return [one for before, one in pairwise(("", *segments)) if not (one == "value" and _EXTENSION.match(before))]


def _step(segment: str) -> Step:
    for pattern, build in _STEPS:
        found = pattern.match(segment)
        if found:
            return build(*found.groups())
    raise OutsideError(f"The path segment {segment} is not covered; wanted a name, a cast or a plain filter.")


def _child(name: str) -> Step:
    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [child for node in nodes for child in children(node, name)]

    return step


def _indexed(name: str, index: str) -> Step:
    number = int(index)

    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [child for node in nodes for child in list(children(node, name))[number : number + 1]]

    return step


def _named(name: str) -> str:
    """Return a type as R4's definitions write it; search expressions write `DateTime` too."""
    primitive = name[0].lower() + name[1:]
    return primitive if primitive in PRIMITIVES else name


def _typed(name: str) -> Step:
    wanted = _named(name)

    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [node for node in nodes if node.type == wanted]

    return step


def _equals(name: str, value: str) -> Step:
    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [node for node in nodes if isinstance(node.value, dict) and node.value.get(name) == value]

    return step


def _resolves(kind: str) -> Step:
    def step(nodes: list[Node], resource: dict[str, Any]) -> list[Node]:
        return [node for node in nodes if _target(node.value, resource) == kind]

    return step


def _target(value: Any, resource: dict[str, Any]) -> str:
    if not isinstance(value, dict):
        return ""
    reference = value.get("reference")
    if isinstance(reference, str):
        if reference.startswith("#"):
            inside = resource.get("contained")
            for one in inside if isinstance(inside, list) else ():
                if isinstance(one, dict) and one.get("id") == reference[1:]:
                    return str(one.get("resourceType", ""))
        elif named := type_in(reference):
            return named
    return str(value.get("type", ""))


def _extension(url: str) -> Step:
    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [
            child
            for node in nodes
            for one in children(node, "extension")
            if isinstance(one.value, dict) and one.value.get("url") == url
            for child in children(one, "value")
        ]

    return step


def _has_extension(url: str) -> Step:
    def step(nodes: list[Node], _resource: dict[str, Any]) -> list[Node]:
        return [
            node
            for node in nodes
            if any(isinstance(e.value, dict) and e.value.get("url") == url for e in children(node, "extension"))
        ]

    return step


_STEPS: tuple[tuple[re.Pattern[str], Callable[..., Step]], ...] = (
    (_PLAIN, _child),
    (_INDEX, _indexed),
    (_TYPE, _typed),
    (_EQUALS, _equals),
    (_RESOLVE, _resolves),
    (_EXTENSION, _extension),
    (_HAS_EXTENSION, _has_extension),
)


def children(node: Node, name: str) -> Iterator[Node]:
    """Return the nodes one element name below a node; a choice is found under its FHIRPath name.

    Shape: nothing for a name the type does not have, or a value of the wrong JSON kind.
    """
    value = node.value
    if not isinstance(value, dict):
        return
    kind = node.type
    if kind == "Resource":
        kind = str(value.get("resourceType", ""))
    try:
        fields = shape(kind).by_name.get(name, ())
    except KeyError:
        return
    for field in fields:
        found = value.get(field.key)
        if found is None:
            continue
        place = f"{node.place}.{name}"
        if isinstance(found, list):
            for index, one in enumerate(found):
                if one is not None:
                    yield Node(field.type, one, f"{place}[{index}]")
        else:
            yield Node(field.type, found, place)
