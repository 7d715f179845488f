"""Parts of a resource, as `_summary` and `_elements` ask for them; each carries the tag that says so.

Source: http://hl7.org/fhir/R4/search.html#summary, #elements (elements that must be there, and those that change the
        meaning of others, always stay).
"""

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from typing import Any

from .facts import facts
from .shapes import Field, shape

SUBSETTED = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}
_IDENTITY = frozenset(("resourceType", "id", "meta", "implicitRules"))


def summary(resource: Mapping[str, Any]) -> dict[str, Any]:
    """Return the elements that R4 marks as summary, nested ones too, and what must be there."""
    return _tagged(_summary(resource, str(resource["resourceType"])))


def narrative(resource: Mapping[str, Any]) -> dict[str, Any]:
    """Return the text, and what must be there."""
    return elements(resource, ("text",))


def data(resource: Mapping[str, Any]) -> dict[str, Any]:
    """Return everything but the text."""
    return _tagged({name: value for name, value in resource.items() if name not in ("text", "_text")})


def elements(resource: Mapping[str, Any], names: Iterable[str]) -> dict[str, Any]:
    """Return the named elements (`value` or `valueQuantity`, `Observation.value`), and what must be there."""
    kind = str(resource["resourceType"])
    wanted = {name.removeprefix(f"{kind}.").removesuffix("[x]") for name in names}
    fixed = _always(kind)
    return _tagged(_kept(resource, kind, lambda one: one.name in wanted or one.key in wanted or one.name in fixed))


def _summary(node: Mapping[str, Any], kind: str) -> dict[str, Any]:
    fixed = _always(kind)
    found = _kept(node, kind, lambda one: one.summary or one.name in fixed)
    for field in shape(kind).fields.values():
        if field.key in found and "." in field.type:
            value = found[field.key]
            many = isinstance(value, list)
            found[field.key] = [_summary(one, field.type) for one in value] if many else _summary(value, field.type)
            if found[field.key] in ({}, [{}] * len(value)):
                del found[field.key]
    return found


def _kept(node: Mapping[str, Any], kind: str, wanted: Callable[[Field], bool]) -> dict[str, Any]:
    fields = shape(kind).fields
    keys = {key for key, field in fields.items() if wanted(field)}
    top = shape(kind).resource
    return {
        key: value
        for key, value in node.items()
        if key.removeprefix("_") in keys or (top and key.removeprefix("_") in _IDENTITY) or key == "id"
    }


@cache
def _always(kind: str) -> frozenset[str]:
    """Return the elements of a resource that must be there or change the meaning of the others."""
    return frozenset(
        element["name"].removesuffix("[x]")
        for element in facts()["shapes"][kind]["elements"]
        if element.get("min") or element.get("modifier")
    )


def _tagged(resource: dict[str, Any]) -> dict[str, Any]:
    meta = resource.get("meta", {})
    tags = [tag for tag in meta.get("tag", ()) if tag.get("code") != SUBSETTED["code"]]
    head = {name: resource[name] for name in ("resourceType", "id") if name in resource}
    return head | resource | {"meta": {**meta, "tag": [*tags, SUBSETTED]}}
