"""How what is judged is put into lists by what is asked of it.

A schema can only ask slice after slice whether a value is of it; where each slice is told by one coding or URL, a
table tells.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

Way = list[list[str]]  # steps to what tells a value: names of elements, and extensions by URL


class Asked(NamedTuple):
    """What a profile or extension asks: of the whole, of its elements by name, of its sliced lists; by lists' names."""

    whole: tuple[str, ...]
    elements: tuple[tuple[str, str], ...]
    sliced: tuple["Sorting", ...]

    def put(self, whole: Mapping[str, Any], lists: Mapping[str, list[Any]]) -> bool:
        """Put it and what it holds into the lists; return whether no slice stands too often."""
        asked, elements, sliced = self
        for asks in asked:
            lists[asks].append(whole)
        for name, asks in elements:
            if name in whole:
                lists[asks].append(whole[name])
        for one in sliced:  # noqa: SIM110 - three times as fast as all()
            if not one.put(whole, lists):
                return False
        return True


class Part(NamedTuple):
    """A slice: its number, whether it may stand but once, and what is asked of its values ("" is nothing)."""

    number: int
    once: bool
    asks: str


class Sorting(NamedTuple):
    """How the values of one element are sorted.

    Shape: `marks` gives what may tell a value, codings as (system, code), or None if its url does; `parts` are told by
           these. What is asked of values of no part is `rest`.
    """

    name: str
    marks: Callable[[Any], Iterable[Any]] | None
    parts: Mapping[Any, Part]
    rest: str = ""

    def put(self, whole: Mapping[str, Any], lists: Mapping[str, list[Any]]) -> bool:
        """Put values into the lists of what is asked of them; return whether none stands too often.

        Errors: ValueError if a value is of two slices.
        """
        name, marks_of, parts, rest = self
        seen: list[int] = []
        for value in whole.get(name, ()):
            part = parts.get(value["url"]) if marks_of is None else _only(parts, marks_of(value))
            if part is None:
                if rest:
                    lists[rest].append(value)
                continue
            number, once, asks = part
            if once:
                if number in seen:
                    return False
                seen.append(number)
            if asks:
                lists[asks].append(value)
        return True


def _only(parts: Mapping[Any, Part], found: Iterable[Any]) -> Part | None:
    """Return the one part that is told by what was found, if any."""
    mine = None
    for mark in found:
        part = parts.get(mark)
        if part is not None and part is not mine:
            if mine is not None:
                raise ValueError("A value is of two slices; it is for the walker to say of which.")
            mine = part
    return mine


def marks(way: Way) -> Callable[[Any], Iterable[Any]]:
    """Return what gives what stands at the end of a way: a URL, or the codings of each concept."""
    match way:
        case [["name", "url"]]:
            return lambda value: (value["url"],)
        case [["name", name]]:
            return lambda value: _codings(value[name]) if name in value else ()
        case [["extension", url], ["name", name]]:
            return lambda value: [
                mark
                for inner in value.get("extension", ())
                if inner["url"] == url and name in inner
                for mark in _codings(inner[name])
            ]
    return lambda value: [mark for held in _reached(value, way) for mark in _told(held)]


def _told(held: Any) -> Iterable[Any]:
    """Return a URL itself, or the codings of a concept as (system, code)."""
    return (held,) if type(held) is str else _codings(held)


def _codings(concept: Any) -> list[tuple[Any, Any]]:
    return [(one.get("system"), one.get("code")) for one in concept.get("coding", ())]


def _reached(one: Any, way: Way) -> list[Any]:
    """Return what stands at the end of a way of names and extensions."""
    level = [one]
    for what, name in way:
        if what == "extension":
            level = [inner for held in level for inner in held.get("extension", ()) if inner.get("url") == name]
        else:
            level = [held[name] for held in level if name in held]
    return level
