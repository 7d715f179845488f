"""Compiled paths: the part of FHIRPath that R4 search parameters, compartments and patches are written in.

A path is `Type.name.name[0]`, with `as`/`ofType`, `where(name='text')`, `where(resolve() is Type)`,
`where(hasExtension('url'))`, `extension('url')`, joined by `|`. `resolve() is Type` is answered from the
text of the reference, never by fetching. Anything else is not compiled: `OutsideError` names it.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

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
class Path:
    """A compiled expression for one resource type."""

    expression: str
    branches: tuple[tuple[Step, ...], ...]
    first: tuple[frozenset[str], ...] = ()  # per branch, the properties one of which must be there

    def select(self, resource: dict[str, Any]) -> list[Node]:
        """Return every node the path arrives at, in document order per branch of a union."""
        kind = str(resource.get("resourceType", ""))
        return self.within(Node(kind, resource, kind), resource)

    def within(self, node: Node, resource: dict[str, Any]) -> list[Node]:
        """Return what the path arrives at from a node inside `resource`."""
        found: list[Node] = []
        present = node.value.keys() if isinstance(node.value, dict) else frozenset()
        for number, branch in enumerate(self.branches):
            if self.first and self.first[number] and self.first[number].isdisjoint(present):
                continue
            nodes = [node]
            for step in branch:
                nodes = step(nodes, resource)
                if not nodes:
                    break
            found += nodes
        return found


@cache
def compile_path(type_name: str, expression: str) -> Path:
    """Return the path of a search expression for one resource type; branches of other types drop out.

    Errors: OutsideError if the expression is outside what compiled paths cover.
    """
    branches = []
    first = []
    for term in _split(expression, "|"):
        segments = _segments(term)
        if segments[0] not in (type_name, "Resource", "DomainResource"):
            continue
        branches.append(tuple(_step(segment) for segment in segments[1:]))
        first.append(_properties(type_name, segments[1]) if len(segments) > 1 else frozenset())
    return Path(expression, tuple(branches), tuple(first))


def _properties(type_name: str, segment: str) -> frozenset[str]:
    name = segment.partition("[")[0].partition("(")[0]
    try:
        fields = shape(type_name).by_name.get(name, ())
    except KeyError:  # a type that is not carried: nothing to go by
        return frozenset()
    return frozenset(field.key for field in fields)


@cache
def compile_relative(expression: str) -> Path:
    """Return the path of an expression that starts at a node, not at a resource (composite components).

    Errors: OutsideError if the expression is outside what compiled paths cover.
    """
    return Path(
        expression,
        tuple(tuple(_step(s) for s in _segments(term)) for term in _split(expression, "|")),
    )


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
    return _split(term, ".")


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


def _typed(name: str) -> Step:
    wanted = name[0].lower() + name[1:] if name[0].lower() + name[1:] in PRIMITIVES else name

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
