"""Shapes: what the facts say about one type or nested element, compiled when first asked for.

A shape is the list of JSON properties an object may have, each with its type, how often it may stand there
and what binds it. A choice such as value[x] is one element (`value` in FHIRPath) with many properties.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from .facts import Json, facts

PRIMITIVES = frozenset(
    """
    base64Binary boolean canonical code date dateTime decimal id instant integer markdown oid positiveInt
    string time unsignedInt uri url uuid xhtml
    """.split()  # noqa: SIM905 - a table reads better
)


@dataclass(frozen=True, slots=True)
class Field:
    """One JSON property of a shape.

    Shape: `key` as in JSON (valueQuantity), `name` as in FHIRPath (value); `type` is a primitive, a
           datatype, "Resource", or the path of the nested element; `most` 0 means without limit.
    """

    key: str
    name: str
    type: str
    choice: bool
    least: int
    most: int
    targets: frozenset[str]
    binding: tuple[str, ...]
    profile: str
    invariants: tuple[tuple[str, str, str], ...]
    summary: bool

    @property
    def many(self) -> bool:
        """Return whether the property holds a list."""
        return self.most != 1

    @property
    def primitive(self) -> bool:
        """Return whether the property holds a bare JSON value (and may have a `_` companion)."""
        return self.type in PRIMITIVES


@dataclass(frozen=True, slots=True)
class Shape:
    """The fields of one type or nested element, its own and inherited invariants."""

    name: str
    fields: Mapping[str, Field]
    by_name: Mapping[str, tuple[Field, ...]]
    invariants: tuple[tuple[str, str, str], ...]
    resource: bool


@cache
def shape(name: str) -> Shape:
    """Return the compiled shape of a type (`Observation`) or nested element (`Observation.component`).

    Errors: KeyError if R4 facts have no such shape.
    """
    raw = facts()["shapes"][name]
    fields: dict[str, Field] = {}
    for element in raw["elements"]:
        for field in _fields(element):
            fields[field.key] = field
    named: dict[str, tuple[Field, ...]] = {}
    for field in fields.values():
        named[field.name] = (*named.get(field.name, ()), field)
    invariants = [tuple(one) for one in raw["invariants"]]
    types = facts()["types"]
    ancestor = types.get(name, {}).get("base", "BackboneElement" if "." in name else "")
    while ancestor:
        above = facts()["shapes"].get(ancestor)
        invariants += [tuple(one) for one in above["invariants"]] if above else []
        ancestor = types[ancestor]["base"]
    return Shape(name, fields, named, tuple(invariants), types.get(name, {}).get("kind") == "resource")


def _fields(element: Json) -> list[Field]:
    name: str = element["name"]
    choice = name.endswith("[x]")
    bare = name.removesuffix("[x]")
    types = [element["shape"]] if "shape" in element else element["types"]
    binding = tuple(element.get("binding", ()))
    return [
        Field(
            key=bare + one[0].upper() + one[1:] if choice else bare,
            name=bare,
            type=one,
            choice=choice,
            least=element.get("min", 0),
            most=element.get("max", 1),
            targets=frozenset(element.get("targets", ())),
            binding=binding if one in _CODED else (),
            profile=element.get("profiles", {}).get(one, ""),
            invariants=tuple(tuple(i) for i in element.get("invariants", ())),
            summary=bool(element.get("summary")),
        )
        for one in types
    ]


_CODED = frozenset(("code", "Coding", "CodeableConcept", "Quantity", "string", "uri", "canonical", "Age", "Duration"))
