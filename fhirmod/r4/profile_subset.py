"""A profile as a JSON Schema of what it asks beyond its type: the fast way to a yes.

Where a profile says what this cannot (a rule over other elements, slicing by a profile), there is no schema
and the walker judges. Which slice a value belongs to is said exactly; everything else may be stricter.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any, NamedTuple

from .bindings import Bound
from .facts import known_types
from .fragments import SURELY
from .invariants import TESTS
from .known import Known
from .merging import switch
from .plan import Plan, Slot, plan
from .profiles import Element, Profile
from .shapes import PRIMITIVES
from .slices import DEFAULT, demands, steps
from .sorting import Way

Schema = dict[str, Any]
_LINK = r"^(?:(?:{0})/|https?://[^?#\s]+/(?:{0})/[A-Za-z0-9\-.]{{1,64}}$|urn:)"


class Sliced(NamedTuple):
    """A list of a resource whose slices are each told by one coding or URL.

    Shape: `parts` say of each what tells it, whether it may stand but once, and what is asked of its values.
    """

    name: str
    way: Way
    parts: list[tuple[Any, bool, Schema]]


class _NotSaidError(Exception):
    """Raised inside this module where a schema cannot say what a profile asks."""


def demand(
    against: Profile, known: Known, *, quiet: bool = False, sort: Callable[[Sliced], None] | None = None
) -> Schema | None:
    """Return what a profile asks of what is valid R4 of its type already, or None if no schema can say it.

    Shape: what the definitions of `known` extensions ask is not asked again; `quiet` asks for no warning either.
           What `sort` is given is asked beside the schema.
    """
    try:
        return _Demands(known, whole=against.type == "Extension", quiet=quiet, sort=sort).value(
            against.root, plan(against.type), root=True
        )
    except (_NotSaidError, KeyError):
        return None


@lru_cache(maxsize=256)
def linked(against: Profile) -> tuple[tuple[tuple[str, ...], Mapping[str, tuple[str, ...]]], ...]:
    """Return where a profile narrows what a reference leads to: the way there, and the profiles asked by type."""
    return tuple(_linked(against.root))


def _linked(element: Element) -> Iterator[tuple[tuple[str, ...], Mapping[str, tuple[str, ...]]]]:
    if element.targets:
        yield (), element.targets
    for child in element.children.values():
        choice = child.name.endswith("[x]")
        name = f"{child.name.removesuffix('[x]')}Reference" if choice else child.name
        for one in (child, *(child.slices.values() if choice else ())):
            for way, targets in _linked(one):
                yield (name, *way), targets


class _Demands:
    """What the elements of profiles ask; a known extension's definition has asked its own already.

    Shape: `whole` is where a definition of an extension itself is made, of which nothing has been asked.
    """

    def __init__(self, known: Known, *, whole: bool, quiet: bool, sort: Callable[[Sliced], None] | None = None) -> None:
        self._known = known
        self._whole = whole
        self._quiet = quiet
        self._sort = sort

    def value(self, element: Element, shape: Plan | None, kind: str = "", *, root: bool = False) -> Schema:
        """Return what one value of an element, of a type with that plan or of a primitive `kind`, must be."""
        parts: list[Schema] = []
        if element.wanted is not None:
            parts.append({"const": element.wanted} if element.exact else _pattern(element.wanted))
        if element.targets:
            if not all(target.isalpha() for target in element.targets):
                raise _NotSaidError
            kinds = sorted(element.targets)
            link = {"pattern": _LINK.format("|".join(kinds))}
            parts.append({"properties": {"reference": link, "type": {"enum": kinds}}})
        if element.binding is not None and (
            element.binding.strength == "required" or element.binding.widest or self._quiet
        ):
            parts += _binding(element.binding, shape, kind)
        for _, severity, text in element.rules:
            if text not in TESTS or (not root and "%r" in text):
                raise _NotSaidError
            if severity == "error" or self._quiet:
                parts.append({"anyOf": [*SURELY[text], {"r4-rule": text}]} if text in SURELY else {"r4-rule": text})
        # A known extension is judged by its own definition wherever it stands.
        if (element.profiles and element.types != {"Extension"}) or element.ordered or element.at_end:
            raise _NotSaidError
        if element.low is not None or element.high is not None or element.aggregation or element.versioning:
            raise _NotSaidError
        if element.max_length is not None:
            parts.append({"maxLength": element.max_length})
        if shape is not None:
            for child in element.children.values():
                parts += (
                    self._choice(child, shape)
                    if child.name.endswith("[x]")
                    else self._child(child, shape, sort=self._sort if root else None)
                )
        elif element.children:
            raise _NotSaidError
        return _joined(parts)

    def _child(self, child: Element, shape: Plan, *, sort: Callable[[Sliced], None] | None = None) -> list[Schema]:
        slot = shape.slots[child.name]
        if slot.field.type == "Resource" and not child.types <= {"Resource"}:
            raise _NotSaidError
        if child.most == 0:
            return [{"properties": {child.name: False, "_" + child.name: False}}]
        parts: list[Schema] = [_there({child.name: slot}, shape)] if child.least else []
        one = self.value(child, _inner(slot), slot.field.type)
        if child.wanted is not None and slot.primitive:
            parts.append(_valued(child.name, exact=child.exact))
        if not slot.many:
            if child.slices:
                raise _NotSaidError
            return [*parts, {"properties": {child.name: one}}] if one else parts
        many: Schema = {"items": one} if one else {}
        if child.least > 1:
            many["minItems"] = child.least
        if child.most is not None:
            many["maxItems"] = child.most
        if child.slices:
            many = _joined([many, *self._slices(child, _inner(slot), slot.field.type, sort=sort)])
            if child.least == 0 and any(part.least for part in child.slices.values()):
                parts.append({"required": [child.name]})
        return [*parts, {"properties": {child.name: many}}] if many else parts

    def _choice(self, child: Element, shape: Plan) -> list[Schema]:
        name = child.name.removesuffix("[x]")
        slots = {key: slot for key, slot in shape.slots.items() if slot.group == name and not slot.companion}
        allowed = {key: slot for key, slot in slots.items() if not child.types or slot.field.type in child.types}
        shut = [*(slots.keys() - allowed.keys())] if child.most != 0 else [*slots]
        parts: list[Schema] = []
        if child.least:
            parts.append(_there(allowed, shape))
        own = {key: self.value(child, _inner(slot), slot.field.type) for key, slot in allowed.items()}
        if child.closed:
            taken = {kind for part in child.slices.values() for kind in part.types}
            shut += [key for key, slot in allowed.items() if slot.field.type not in taken]
        said = [one for one in (child, *child.slices.values()) if one.wanted is not None]
        if said:
            exact = any(one.exact for one in said)
            parts += [_valued(key, exact=exact) for key, slot in allowed.items() if slot.primitive]
        for part in child.slices.values():
            if child.discriminators != (("type", "$this"),) or part.slices:
                raise _NotSaidError
            mine = [key for key, slot in allowed.items() if slot.field.type in part.types]
            for key in mine:
                own[key] = {"allOf": [own[key], self.value(part, _inner(allowed[key]), allowed[key].field.type)]}
            if part.least:
                shut += [key for key in allowed if key not in mine]
                parts.append(_there({key: allowed[key] for key in mine}, shape))
            if part.most == 0:
                shut += mine
        if shut and shape.name == "Extension" and not self._whole:  # it has one thing beside its url
            forms = ["extension", *(form for key in allowed if key not in shut for form in (key, "_" + key))]
            parts.append({"anyOf": [{"required": [form]} for form in forms if form in shape.slots]})
            shut = []
        closed = {form: False for key in shut for form in ((key, "_" + key) if slots[key].primitive else (key,))}
        return [*parts, {"properties": {key: one for key, one in own.items() if one} | closed}]

    def _slices(
        self,
        of: Element,
        inner: Plan | None,
        kind: str,
        within: Schema | None = None,
        sort: Callable[[Sliced], None] | None = None,
    ) -> list[Schema]:
        """Return what a list must be by the slices of an element, or of one of its slices (`within`).

        Shape: a value belongs to the first slice that it fits. Where only too many are wrong, all that fit are counted,
               which may be stricter and is quicker.
        """
        parts: list[Schema] = []
        asked: list[tuple[Schema, Schema]] = []
        earlier: list[Schema] = []
        apart = of.discriminators == (("value", "url"),)  # at most one slice fits
        if not of.discriminators or of.ordered or of.at_end or DEFAULT in of.slices:
            raise _NotSaidError
        way, once = _once(of)
        marks = [_told(part, of.discriminators[0][1]) for part in of.slices.values()]
        sorted_apart = sort is not None and way and not of.closed and _all_apart(of, marks)
        if once and not sorted_apart:
            parts.append({"anyOf": [{"maxItems": 1}, {"r4-once": [way, [*once.values()]]}]})
        for part in of.slices.values():
            own = _joined([_member(part, how, path, inner) for how, path in of.discriminators])
            inside = [within] if within else []
            is_one = _joined([*inside, own, *({"not": one} for one in earlier)])
            earlier += [] if apart else [own]
            if part.slice not in once and (part.least or part.most is not None):
                counted: Schema = {"contains": is_one if part.least else _joined([*inside, own])}
                counted["minContains"] = part.least
                if part.most is not None:
                    counted["maxContains"] = part.most
                parts.append(counted)
            beyond = self._beyond(part, of, inner)
            asked.append(
                (own, _joined([one for one in (self.value(beyond, inner, kind), *_told_by_text(part)) if one]))
            )
            if part.slices:
                parts += self._slices(beyond, inner, kind, is_one, sort)
        if sort is not None and sorted_apart:
            slices = zip(of.slices, marks, asked, strict=True)
            found = [
                (mark if isinstance(mark, str) else tuple(mark), name in once, demand)
                for name, mark, (_, demand) in slices
            ]
            if any(only or demand for _, only, demand in found):
                sort(Sliced(of.name, way, found))
            return parts
        if apart and not of.closed:
            asked = [(own, demand) for own, demand in asked if demand]
        if of.closed or any(demand for _, demand in asked):
            parts.append({"items": _first(asked, closed=of.closed, within=within)})
        return parts

    def _beyond(self, part: Element, of: Element, inner: Plan | None) -> Element:
        """Return a slice without what belonging to it says, and what the extension's own definition asks."""
        if len(of.discriminators) == 1 and inner is not None and _told(part, of.discriminators[0][1]) is not None:
            part = _untold(part, steps(of.discriminators[0][1]) or [], inner)
        definition = self._known.profile(part.profiles[0]) if len(part.profiles) == 1 else None
        if definition is not None and part.types == {"Extension"}:
            part = _more(part, definition.root)
            part.children.pop("url", None)
        # A slice repeats what its element asks of each value; how many there are it counts for itself.
        return replace(_more(part, of), least=part.least, most=part.most, types=part.types)


def _untold(part: Element, path: list[tuple[str, str]], inner: Plan) -> Element:
    """Return a slice that does not ask again for the value it is told by, where there is but one such value."""
    match path:
        case [("name", name)] if name not in inner.slots or not inner.slots[name].many:
            blank = {
                key: replace(part.children[key], wanted=None) for key in (name, f"{name}[x]") if key in part.children
            }
            return replace(part, children=part.children | blank)
        case [("extension", url), *rest] if "extension" in part.children:
            extension = part.children["extension"]
            slices = {
                name: _untold(one, rest, plan("Extension")) if one.most == 1 and _url(one) == url else one
                for name, one in extension.slices.items()
            }
            return replace(part, children=part.children | {"extension": replace(extension, slices=slices)})
    return part


def _url(part: Element) -> Any:
    return part.children["url"].wanted if "url" in part.children else None


def _more(element: Element, said: Element) -> Element:
    """Return an element of a profile without what another profile, which its value conforms to, says as well."""
    return replace(
        element,
        least=0 if said.least >= element.least else element.least,
        most=None if said.most is not None and element.most is not None and said.most <= element.most else element.most,
        types=frozenset() if said.types == element.types else element.types,
        binding=None if said.binding == element.binding else element.binding,
        rules=tuple(one for one in element.rules if one not in said.rules),
        children={
            name: _more(child, said.children[name]) if name in said.children else child
            for name, child in element.children.items()
        },
        slices={
            name: _more(part, said.slices[name]) if name in said.slices else part
            for name, part in element.slices.items()
        },
    )


def _there(slots: Mapping[str, Slot], shape: Plan) -> Schema:
    """Return that one of the properties is there; a primitive may have only an extension where values are unknown."""
    whole = shape.name in known_types() or "." in shape.name or shape.name == "Period"
    forms = [form for key, slot in slots.items() for form in ((key, "_" + key) if slot.primitive and whole else (key,))]
    return {"required": forms} if len(forms) == 1 else {"anyOf": [{"required": [form]} for form in forms]}


def _valued(key: str, *, exact: bool) -> Schema:
    """Return that a primitive with an extension has a value too, or if that is to be exact, that it has none."""
    return {"properties": {f"_{key}": False}} if exact else {"dependentRequired": {f"_{key}": [key]}}


def _once(of: Element) -> tuple[list[list[str]], dict[str, Any]]:
    """Return the slices that may stand at most once and are told by one coding or URL, counted together in one pass.

    Shape: the way to their CodeableConcept or url, and of each its [system, code] or url.
    """
    path = of.discriminators[0][1]
    way = [
        [what, "valueCodeableConcept" if what == "name" and name == "value" else name]
        for what, name in steps(path) or ()
    ]
    found: dict[str, Any] = {}
    if len(of.discriminators) != 1 or not way or any(what not in ("name", "extension") for what, _ in way):
        return [], found
    for part in of.slices.values():
        told = _told(part, path)
        if (part.least, part.most) == (0, 1) and told is not None:
            found[part.slice] = told
    return way, found


def _all_apart(of: Element, marks: list[Any]) -> bool:
    """Return whether each slice is told by a mark of its own."""
    return len({str(mark) for mark in marks if mark is not None}) == len(of.slices)


def _told(part: Element, path: str) -> Any:
    """Return the one url, or [system, code], by which a value is of a slice, or None if it is told otherwise."""
    if path == "url" and len(part.profiles) == 1 and part.types == {"Extension"}:
        return part.profiles[0].partition("|")[0]
    wanted = [one.wanted for one in demands(part, path)]
    if len(wanted) != 1:
        return None
    if path == "url" and isinstance(wanted[0], str):
        return wanted[0]
    codings = wanted[0].get("coding") if isinstance(wanted[0], dict) and wanted[0].keys() == {"coding"} else None
    one = codings[0] if codings and len(codings) == 1 else {}
    return [one["system"], one["code"]] if one.keys() == _CODED else None


_CODED = {"system", "code"}


def _first(asked: list[tuple[Schema, Schema]], *, closed: bool, within: Schema | None) -> Any:
    """Return what a value must be by the first slice that it fits; of none, nothing, or it must not be there."""
    found = switch(asked, not closed)
    return {"if": within, "then": found} if within else found


def _told_by_text(part: Element) -> Iterator[Schema]:
    """Return that a narrowed reference in a slice names its type; `linked` follows urns outside slices only."""
    for way, targets in _linked(part):
        if any(targets.values()):
            raise _NotSaidError
        found: Schema = {"properties": {"reference": {"not": {"pattern": "^urn:"}}}}
        for name in reversed(way):
            found = {"properties": {name: {**found, "items": found}}}
        yield found


def _member(part: Element, how: str, path: str, shape: Plan | None) -> Schema:
    """Return exactly which values are of a slice by one discriminator: any value at the path, any demand there."""
    if path == "url" and len(part.profiles) == 1 and part.types == {"Extension"}:
        return {"required": ["url"], "properties": {"url": {"const": part.profiles[0].partition("|")[0]}}}
    if how not in ("value", "pattern"):
        raise _NotSaidError
    asked = demands(part, path)
    if not asked or any(one.wanted is None for one in asked):
        raise _NotSaidError
    any_of = [{"const": one.wanted} if one.exact else _pattern(one.wanted) for one in asked]
    found: Schema = any_of[0] if len(any_of) == 1 else {"anyOf": any_of}
    walked = list(_ways(path, shape, asked))
    for step in reversed(walked):
        found = step(found)
    return found


def _ways(path: str, shape: Plan | None, asked: list[Element]) -> Iterator[Callable[[Schema], Schema]]:
    """Return, for each step of a discriminator's path, what makes a schema of a value one of what holds it."""
    for what, name in steps(path) or ():
        if shape is None:
            raise _NotSaidError
        if what == "extension":
            yield _in_extension(name)
            shape = plan("Extension")
            continue
        key = name
        if what == "name" and name not in shape.slots:
            coded = all(isinstance(one.wanted, dict) and "coding" in one.wanted for one in asked)
            key = f"{name}CodeableConcept" if coded else ""  # no other type of a choice has codings
        if what != "name" or key not in shape.slots:
            raise _NotSaidError
        slot = shape.slots[key]
        yield _in_property(key, many=slot.many)
        shape = _inner(slot)


def _in_extension(url: str) -> Callable[[Schema], Schema]:
    named = {"required": ["url"], "properties": {"url": {"const": url}}}
    return lambda found: {
        "required": ["extension"],
        "properties": {"extension": {"contains": _joined([named, found])}},
    }


def _in_property(key: str, *, many: bool) -> Callable[[Schema], Schema]:
    return lambda found: {"required": [key], "properties": {key: {"contains": found} if many else found}}


def _inner(slot: Slot) -> Plan | None:
    return None if slot.primitive or slot.field.type == "Resource" else plan(slot.inner)


def _joined(parts: list[Schema]) -> Schema:
    """Return one schema that says what all of them say; what stands together in as few places as can be is quicker.

    Shape: `required`, `properties` and `items` are put together, place by place; any other word stands once, or under
           `allOf`.
    """
    head: Schema = {}
    beside: list[Schema] = []
    for part in _flat(parts):
        apart: Schema = {}
        for word, value in part.items():
            if word not in head and word not in _UNIT:
                head[word] = value
            elif word == "required":
                head[word] = [*head[word], *(name for name in value if name not in head[word])]
            elif word == "properties":
                head[word] = {
                    **head[word],
                    **{name: _both(head[word].get(name, True), one) for name, one in value.items()},
                }
            elif word == "items":
                head[word] = _both(head[word], value)
            elif word == "dependentRequired" and head[word].keys().isdisjoint(value):
                head[word] = head[word] | value
            elif head.get(word) != value or word in _UNIT:
                apart[word] = value
        if head.keys().isdisjoint(apart):
            head |= apart
        else:
            beside.append(apart)
    return {**head, "allOf": beside} if beside else head


def _flat(parts: list[Schema]) -> Iterator[Schema]:
    """Return the parts, and those that stand under `allOf` of them."""
    for part in parts:
        yield {word: value for word, value in part.items() if word != "allOf"}
        yield from _flat(part.get("allOf", []))


def _both(one: Any, other: Any) -> Any:
    if one is True or other is True:
        return other if one is True else one
    return False if one is False or other is False else _joined([one, other])


# What must stay together, as each word says something of the others.
_UNIT = frozenset(("if", "then", "else", "contains", "minContains", "maxContains"))


def _binding(binding: Bound, shape: Plan | None, kind: str) -> list[Schema]:
    if binding.widest is not None:
        raise _NotSaidError
    if binding.members is None:
        return []
    members = binding.members
    if members.grammar is not None or members.open:
        raise _NotSaidError
    if shape is None:
        return [{"enum": sorted(members.codes)}] if kind in PRIMITIVES - _NO_TEXT else []
    by_system = [
        {"properties": {"system": {"const": system}, "code": {"enum": sorted(codes)}}, "required": ["system", "code"]}
        for system, codes in members.pairs.items()
    ]
    coding = by_system[0] if len(by_system) == 1 else {"anyOf": by_system}
    required = binding.strength == "required"
    if "coding" in shape.slots:
        text = [{"dependentRequired": {"text": ["coding"]}}] if required else []
        return [{"properties": {"coding": {"contains": coding}}}, *text]
    system = [{"dependentRequired": {"system": ["code"]}}] if required else []
    return [{"dependentSchemas": {"code": coding}}, *system] if "code" in shape.slots else []


_NO_TEXT = frozenset(("boolean", "decimal", "integer", "positiveInt", "unsignedInt"))


def _pattern(wanted: Any) -> Schema:
    """Return what has everything a pattern has (elementdefinition.html#pattern)."""
    if isinstance(wanted, dict):
        return {"required": [*wanted], "properties": {key: _pattern(value) for key, value in wanted.items()}}
    if isinstance(wanted, list):
        held = [{"contains": _pattern(one)} for one in wanted]
        return held[0] if len(held) == 1 else {"allOf": held}
    return {"const": wanted}
