"""Where a field's value stands in a resource: one class for each kind of place, each two-way.

`put` writes a value or an `Absent`; `get` returns the value, an `Absent`, or None when nothing is there;
`asks` says what the place is, for the profiles.
"""

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Protocol

from fhirmod.episode import Absent
from terminology import concept, find

from . import absence
from .codec import Codec, Unread
from .demand import Demand, coded_as, of_value, slice_name
from .urls import DETAIL

_COMPLEX = frozenset({"Quantity", "CodeableConcept"})
_VALUE = "value"


class View:
    """A resource being read, with its coded parts found once: components, details, properties by concept key."""

    def __init__(self, resource: Mapping[str, Any], keys: frozenset[str]) -> None:
        self.resource = resource
        self.keys = keys

    @cached_property
    def components(self) -> dict[str, list[Any]]:
        return self._by_key(self.resource.get("component", ()), "code")

    @cached_property
    def properties(self) -> dict[str, list[Any]]:
        return self._by_key(self.resource.get("property", ()), "type")

    @cached_property
    def details(self) -> dict[str, list[Any]]:
        """Return the `detail` extensions' value parts, by concept key."""
        found: dict[str, list[Any]] = {}
        for item in self.resource.get("extension", ()):
            if item.get("url") == DETAIL:
                parts = {part.get("url"): part for part in item.get("extension", ())}
                coded = parts.get("code", {}).get("valueCodeableConcept", {})
                key = find(coded.get("coding", ()), self.keys)
                if key is not None and "value" in parts:
                    found.setdefault(key, []).append(parts["value"])
        return found

    def _by_key(self, items: Any, code_at: str) -> dict[str, list[Any]]:
        found: dict[str, list[Any]] = {}
        for item in items:
            key = find(item.get(code_at, {}).get("coding", ()), self.keys)
            if key is not None:
                found.setdefault(key, []).append(item)
        return found


class Place(Protocol):
    """Somewhere a value can be put into and got from."""

    @property
    def elements(self) -> tuple[str, ...]:
        """Return the R4 elements the value stands in, dotted from the resource."""
        ...

    def put(self, target: dict[str, Any], value: Any) -> None: ...

    def get(self, view: View) -> Any: ...

    def asks(self) -> tuple[Demand, ...]: ...


class MainValue:
    """The Observation's own value[x] or dataAbsentReason."""

    def __init__(self, codec: Codec) -> None:
        self.codec = self._codec = codec
        self._name = _VALUE + codec.suffix

    @property
    def elements(self) -> tuple[str, ...]:
        return self._name, "dataAbsentReason"

    def put(self, target: dict[str, Any], value: Any) -> None:
        if type(value) is Absent:
            target["dataAbsentReason"] = absence.coded(value)
        else:
            target[self._name] = self._codec.write(value)

    def get(self, view: View) -> Any:
        return _value_of(view.resource, self._codec)

    def asks(self) -> tuple[Demand, ...]:
        return of_value("value[x]", self._codec)


class Component:
    """A component of an Observation, found by its code; words that may be many repeat the component."""

    def __init__(self, key: str, codec: Codec, *, required: bool = False) -> None:
        self.key, self._required = key, required
        self.codec = self._codec = codec

    @property
    def elements(self) -> tuple[str, ...]:
        return "component.code", f"component.{_VALUE}{self._codec.suffix}", "component.dataAbsentReason"

    def put(self, target: dict[str, Any], value: Any) -> None:
        components = target.setdefault("component", [])
        code = concept(self.key).codeable
        for single in value if self._codec.many else (value,):
            if type(single) is Absent:
                components.append({"code": code, "dataAbsentReason": absence.coded(single)})
            else:
                components.append({"code": code, _VALUE + self._codec.suffix: self._codec.write(single)})

    def put_unrecorded(self, target: dict[str, Any]) -> None:
        """Write the component a profile requires although nothing was recorded for it."""
        if self._required:
            filler = {"code": concept(self.key).codeable, "dataAbsentReason": absence.UNRECORDED}
            target.setdefault("component", []).append(filler)

    def get(self, view: View) -> Any:
        items = view.components.get(self.key)
        if not items:
            return None
        if self._required and _VALUE + self._codec.suffix not in items[0] and _says_unknown(items[0]):
            return None
        return _of_many(items, self._codec)

    def asks(self) -> tuple[Demand, ...]:
        own = f"component:{slice_name(self.key)}"
        return (
            Demand("component", told_by=(("pattern", "code"),)),
            Demand(own, least=int(self._required), most="*" if self._codec.many else "1"),
            Demand(f"{own}.code", pattern=coded_as(self.key)),
            *of_value(f"{own}.value[x]", self._codec),
        )


class Detail:
    """Our `detail` extension: a coded question and its answer, where R4 has no element."""

    def __init__(self, key: str, codec: Codec) -> None:
        self.key, self._codec = key, codec

    @property
    def elements(self) -> tuple[str, ...]:
        return ("extension",)

    def put(self, target: dict[str, Any], value: Any) -> None:
        code = {"url": "code", "valueCodeableConcept": concept(self.key).codeable}
        for single in value if self._codec.many else (value,):
            answer: dict[str, Any] = {"url": "value"}
            if type(single) is Absent:
                answer["extension"] = absence.extension(single)
            else:
                answer[_VALUE + self._codec.suffix] = self._codec.write(single)
            target.setdefault("extension", []).append({"url": DETAIL, "extension": [code, answer]})

    def get(self, view: View) -> Any:
        items = view.details.get(self.key)
        return _of_many(items, self._codec) if items else None

    def asks(self) -> tuple[Demand, ...]:
        own, demands = detail_slice(self.key, most="*" if self._codec.many else "1")
        return (*demands, *of_value(f"{own}.extension:value.value[x]", self._codec))


class Property:
    """A property of a Device: a quantity or a code; text goes as the code's text."""

    def __init__(self, key: str, codec: Codec) -> None:
        self.key, self._codec = key, codec

    @property
    def elements(self) -> tuple[str, ...]:
        return "property.type", "property.valueQuantity", "property.valueCode"

    def put(self, target: dict[str, Any], value: Any) -> None:
        item: dict[str, Any] = {"type": concept(self.key).codeable}
        if type(value) is Absent:
            item["valueCode"] = [absence.coded(value)]
        elif self._codec.suffix == "Quantity":
            item["valueQuantity"] = [self._codec.write(value)]
        elif self._codec.suffix == "CodeableConcept":
            item["valueCode"] = [self._codec.write(value)]
        elif self._codec.suffix == "Boolean":
            item["valueCode"] = [concept(f"answer.{value}").codeable]
        else:
            item["valueCode"] = [{"text": str(value)}]
        target.setdefault("property", []).append(item)

    def get(self, view: View) -> Any:
        items = view.properties.get(self.key)
        if not items:
            return None
        for quantity in items[0].get("valueQuantity", ())[:1]:
            return self._codec.read(quantity)
        for code in items[0].get("valueCode", ())[:1]:
            if (absent := absence.from_coded(code)) is not None:
                return absent
            if self._codec.suffix == "CodeableConcept":
                return self._codec.read(code)
            if self._codec.suffix == "Boolean":
                answer = find(code.get("coding", ()), ("answer.yes", "answer.no"))
                return None if answer is None else answer.removeprefix("answer.")
            return code.get("text")
        return None

    def asks(self) -> tuple[Demand, ...]:
        own = f"property:{slice_name(self.key)}"
        asked = (
            Demand("property", told_by=(("pattern", "type"),)),
            Demand(own, least=0, most="1"),
            Demand(f"{own}.type", pattern=coded_as(self.key)),
        )
        return (*asked, *of_value(f"{own}.valueQuantity", self._codec)) if self._codec.unit else asked


class Element:
    """An element R4 itself has for the field, by its path (``dosage.route``); lists take one value each."""

    def __init__(self, path: str, codec: Codec) -> None:
        *self._way, self._name = path.split(".")
        self._codec = codec

    @property
    def elements(self) -> tuple[str, ...]:
        return (".".join([*self._way, self._name]),)

    def put(self, target: dict[str, Any], value: Any) -> None:
        for step in self._way:
            target = target.setdefault(step, {})
        if type(value) is Absent:
            if self._codec.suffix in _COMPLEX:
                target[self._name] = {"extension": absence.extension(value)}
            else:
                target[f"_{self._name}"] = {"extension": absence.extension(value)}
        elif self._codec.many:
            target[self._name] = [self._codec.write(single) for single in value]
        else:
            target[self._name] = self._codec.write(value)

    def get(self, view: View) -> Any:
        source: Any = view.resource
        for step in self._way:
            source = source.get(step, {})
        shadow = source.get(f"_{self._name}") or {}
        if self._name not in source:
            return absence.from_extension(shadow.get("extension"))
        value = source[self._name]
        if self._codec.many:
            return tuple(self._codec.read(single) for single in value)
        if self._codec.suffix in _COMPLEX:
            absent = absence.from_extension(value.get("extension"))
            return absent if absent is not None else self._codec.read(value)
        return self._codec.read(value)

    def asks(self) -> tuple[Demand, ...]:
        """Return the answers of a coded element; a quantity may be absent with a reason, so no pattern holds."""
        path = ".".join([*self._way, self._name])
        return of_value(path, self._codec) if self._codec.answers else ()


class Flagged:
    """A yes-or-no field told by a fixed concept in an element R4 has (``method`` = palpation); false is silence."""

    def __init__(self, element: str, key: str) -> None:
        self._element, self.key = element, key

    @property
    def elements(self) -> tuple[str, ...]:
        return (self._element,)

    def put(self, target: dict[str, Any], value: Any) -> None:
        if value:
            target[self._element] = concept(self.key).codeable

    def get(self, view: View) -> Any:
        codings = view.resource.get(self._element, {}).get("coding", ())
        return True if find(codings, (self.key,)) else None

    def asks(self) -> tuple[Demand, ...]:
        return (Demand(self._element, pattern=coded_as(self.key)),)


def detail_slice(key: str, *, most: str = "1") -> tuple[str, tuple[Demand, ...]]:
    """Return the id of the slice of `detail` that answers one question, and what tells it."""
    own = f"extension:detail/{slice_name(key)}"
    return own, (
        Demand("extension", told_by=(("value", "url"),)),
        Demand(
            "extension:detail",
            least=0,
            most="*",
            types=(f"Extension@{DETAIL}",),
            told_by=(("pattern", "extension('code').value"),),
        ),
        Demand(own, least=0, most=most),
        Demand(f"{own}.extension:code.value[x]", pattern=coded_as(key)),
    )


def extension_slice(name: str, url: str, *, least: int = 0, most: str = "1") -> tuple[Demand, ...]:
    """Return what asks for an extension by its definition."""
    return (
        Demand("extension", told_by=(("value", "url"),)),
        Demand(f"extension:{name}", least=least, most=most, types=(f"Extension@{url}",)),
    )


def _of_many(items: list[Any], codec: Codec) -> Any:
    if codec.many:
        return tuple(_value_of(item, codec) for item in items)
    if len(items) > 1:
        raise Unread("the same question is answered more than once")
    return _value_of(items[0], codec)


def _value_of(item: Mapping[str, Any], codec: Codec) -> Any:
    name = _VALUE + codec.suffix
    if name in item:
        return codec.read(item[name])
    if "dataAbsentReason" in item:
        return absence.from_coded(item["dataAbsentReason"])
    if (absent := absence.from_extension(item.get("extension"))) is not None:
        return absent
    other = next((key for key in item if key.startswith(_VALUE)), None)
    if other is not None:
        raise Unread(f"the value is a {other.removeprefix(_VALUE)}; a {codec.suffix} is read here")
    return None


def _says_unknown(item: Mapping[str, Any]) -> bool:
    codings = item.get("dataAbsentReason", {}).get("coding", ())
    return any(coding.get("code") == "unknown" for coding in codings)
