"""What a row, part or shape asks of a resource, as an ElementDefinition says it: our profiles are made of these."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from terminology import OWN_SYSTEM, concept, value_set_url

from .codec import Codec
from .urls import UCUM

_TYPE = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(frozen=True)
class Demand:
    """One element of a differential: `path` is its id without the resource type (`component:systolic.value[x]`).

    Shape: `types` are type codes, a type's targets after a colon (`Reference:Patient|Group`) or its profile
           after an at sign (`Extension@url`); `pattern` is (type, value); `answers` the canonical of a value
           set whose codes are the only ones; `told_by` the (kind, path) that tells an element's slices apart.
    """

    path: str
    least: int | None = None
    most: str | None = None
    types: tuple[str, ...] = ()
    pattern: tuple[str, Any] | None = None
    fixed: tuple[str, Any] | None = None
    answers: str | None = None
    told_by: tuple[tuple[str, str], ...] = ()
    short: str | None = None
    limits: Mapping[str, Any] = field(default_factory=dict)

    def element(self, type_: str) -> dict[str, Any]:
        """Return the ElementDefinition of this demand on a type's element."""
        identity = f"{type_}.{self.path}" if self.path else type_
        steps = [step.partition(":") for step in identity.split(".")]
        made: dict[str, Any] = {"id": identity, "path": ".".join(name for name, _, _ in steps)}
        if steps[-1][2]:
            made["sliceName"] = steps[-1][2]
        if self.told_by:
            tells = [{"type": kind, "path": path} for kind, path in self.told_by]
            made["slicing"] = {"discriminator": tells, "ordered": False, "rules": "open"}
        if self.short:
            made["short"] = self.short
        if self.least is not None:
            made["min"] = self.least
        if self.most is not None:
            made["max"] = self.most
        if self.types:
            made["type"] = [_type(one) for one in self.types]
        if self.fixed is not None:
            made[f"fixed{self.fixed[0]}"] = self.fixed[1]
        if self.pattern is not None:
            made[f"pattern{self.pattern[0]}"] = self.pattern[1]
        made |= self.limits
        if self.answers is not None:
            made["binding"] = {"strength": "required", "valueSet": self.answers}
        return made


def _type(text: str) -> dict[str, Any]:
    bare, _, profile = text.partition("@")
    code, _, targets = bare.partition(":")
    made: dict[str, Any] = {"code": code}
    if profile:
        made["profile"] = [profile]
    if targets:
        made["targetProfile"] = [_TYPE + target for target in targets.split("|")]
    return made


def coded_as(key: str) -> tuple[str, Any]:
    """Return the pattern of a CodeableConcept that says a concept: it carries our own code."""
    return "CodeableConcept", {"coding": [{"system": OWN_SYSTEM, "code": concept(key).code}]}


def slice_name(key: str) -> str:
    """Return the name of the slice for a concept: its own code."""
    return concept(key).code


def of_value(path: str, codec: Codec) -> tuple[Demand, ...]:
    """Return what a codec asks of the value it writes at a path: its type, its unit with a number, or its answers."""
    typed: dict[str, Any] = {"types": (_FHIR_TYPES.get(codec.suffix, codec.suffix),)} if path.endswith("[x]") else {}
    if codec.unit is not None:
        unit = ("Quantity", {"system": UCUM, "code": codec.unit})
        return Demand(path, pattern=unit, **typed), Demand(f"{path}.value", least=1)
    if codec.answers is not None:
        return (Demand(path, answers=value_set_url(codec.answers), **typed),)
    return (Demand(path, **typed),)


_FHIR_TYPES = {"Boolean": "boolean", "DateTime": "dateTime", "String": "string"}
