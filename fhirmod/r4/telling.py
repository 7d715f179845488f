"""Which of a profile's slices a value belongs to: its discriminators followed through the value.

Source: http://hl7.org/fhir/R4/profiling.html#discriminator
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from .paths import type_in
from .places import Place
from .profiles import Element
from .slices import DEFAULT, Item, Meeting, below, contains, demands, items, says, steps

_NOWHERE: Place = (None, "", -1)


@dataclass(frozen=True, slots=True)
class _Held:
    """One value on the way of a discriminator.

    Shape: `kind` is its type if a choice says so, `beside` what stands beside a primitive, `inside` the resource
           further in that it stands in; `lost` is a reference whose target is not here.
    """

    value: Any
    kind: str = ""
    beside: Any = None
    inside: Any = None
    lost: bool = False


def told_by(element: Element, item: Item, meeting: Meeting) -> tuple[str | None, list[str]]:
    """Return the slice that a value is of by every discriminator, and if it is of none, which it may be of.

    Shape: it may be of a slice where what would tell is not here; `@default` is not asked.
    """
    start = _Held(item.value, item.kind, item.beside)
    found = [(how, path, _reached(start, path, item.place, meeting)) for how, path in element.discriminators]
    maybe = []
    for name, part in element.slices.items():
        sure: bool | None = name != DEFAULT
        for how, path, values in found:
            told = sure is not False and _told(part, how, path, values, meeting)
            sure = False if told is False else sure and told
        if sure:
            return name, []
        if sure is None:
            maybe.append(name)
    return None, maybe


def tells(element: Element, part: Element, meeting: Meeting | None = None) -> bool:
    """Return whether a slice says what tells it, by one of the discriminators at least."""
    return part.slice == DEFAULT or any(
        how not in ("value", "pattern") or demands(part, path, meeting) for how, path in element.discriminators
    )


def _told(part: Element, how: str, path: str, found: list[_Held], meeting: Meeting) -> bool | None:
    if how == "exists":
        asked = [one for one in below(part, path, meeting) if one is not part][:1]
        return not any((one.least > 0 and not found) or (one.most == 0 and found) for one in asked)
    if how == "type":
        return _of_type(part, path, found, meeting)
    if how == "profile":
        wanted = _profiles(part, path, meeting)
        return _any(None if one.lost else meeting.conforms(one.value, url) for one in found for url in wanted)
    asked = demands(part, path, meeting)
    return not asked or _any(
        None if value.lost else _satisfies(one, value.value)
        for one in asked
        for value in found
        if value.lost or value.value is not None
    )


def _any(truths: Iterable[bool | None]) -> bool | None:
    said = set(truths)
    return True if True in said else None if None in said else False


def _of_type(part: Element, path: str, found: list[_Held], meeting: Meeting) -> bool | None:
    wanted = {kind for one in below(part, path, meeting) for kind in one.types}
    if path.endswith("resolve()"):
        for one in below(part, _before(path), meeting):
            wanted |= set(one.targets)
    if not wanted or (path == "$this" and not any(map(_type, found))):
        return True
    return _any((_type(one) in wanted) if _type(one) or not one.lost else None for one in found)


def _type(held: _Held) -> str:
    """Return the type of a value: what a choice says, a resource's own, or what a reference says it leads to."""
    if held.kind or not isinstance(held.value, Mapping):
        return held.kind
    if held.lost:
        return type_in(str(held.value.get("reference", ""))) or str(held.value.get("type", ""))
    return str(held.value.get("resourceType", ""))


def _before(path: str) -> str:
    """Return the path of the reference that the end of a path resolves."""
    return path.removesuffix("resolve()").rstrip(".") or "$this"


def _profiles(part: Element, path: str, meeting: Meeting) -> set[str]:
    """Return the profiles that a slice asks of what a path leads to."""
    if path.endswith("resolve()"):
        return {url for one in below(part, _before(path), meeting) for urls in one.targets.values() for url in urls}
    return {url for one in below(part, path, meeting) for url in one.profiles}


def _satisfies(element: Element, value: Any) -> bool:
    if element.wanted is not None:
        return bool(value == element.wanted if element.exact else contains(value, element.wanted))
    if element.binding is not None and element.binding.strength == "required":
        members = element.binding.members
        if members is None:
            return False
        if isinstance(value, dict):
            codings = value.get("coding", [value])
            return any(members.coding(one) for one in codings if isinstance(one, dict))
        return isinstance(value, str) and members.code(value)
    return isinstance(value, dict) and all(
        any(_satisfies(child, one.value) for one in _named_values(_Held(value), child.name.removesuffix("[x]")))
        for child in element.children.values()
        if says(child)
    )


def _reached(start: _Held, path: str, place: Place, meeting: Meeting) -> list[_Held]:
    here = [start]
    for what, name in steps(path) or ():
        here = [one for held in here for one in _stepped(held, what, name, place, meeting)]
    return here


def _stepped(held: _Held, what: str, name: str, place: Place, meeting: Meeting) -> list[_Held]:
    """Return where one step of a path leads from a value."""
    if held.lost:
        return [held]
    if what == "name":
        return _named_values(held, name)
    if what == "extension":
        return [one for one in _named_values(held, "extension") if one.value.get("url") == name]
    if what == "type":
        return [held] if _type(held) in ("", name) else []
    target = meeting.resolve(held.value, place, held.inside)
    return [replace(held, value=held.value, lost=True) if target is None else _Held(target, inside=target)]


def _named_values(held: _Held, name: str) -> list[_Held]:
    """Return the values of one element below a value, plain or a choice; a primitive's are those beside it."""
    node = held.value if isinstance(held.value, dict) else held.beside
    if not isinstance(node, dict):
        return []
    inside = node if "resourceType" in node else held.inside
    found = items(node, name, _NOWHERE) or items(node, f"{name}[x]", _NOWHERE)
    return [_Held(one.value, one.kind, one.beside, inside) for one in found]
