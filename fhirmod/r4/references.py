"""Every reference in a resource, typed by the definitions, so that a uri named `reference` is not one."""

from collections.abc import Iterator
from typing import Any

from .shapes import Shape, shape


def references(resource: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Return (FHIRPath place, text) of every Reference.reference, in extensions and contained too.

    Shape: a type that is not carried here is searched by form: any object with a text `reference`.
    """
    kind = resource.get("resourceType", "")
    yield from _inside(resource, kind, kind)


def _inside(value: dict[str, Any], kind: str, place: str) -> Iterator[tuple[str, str]]:
    if kind == "Reference" and isinstance(value.get("reference"), str):
        yield f"{place}.reference", value["reference"]
    if kind == "Resource":
        kind = value.get("resourceType", "")
    fields = _fields(kind)
    for key, child in value.items():
        if type(child) is not dict and type(child) is not list:
            continue
        field = fields.get(key) if fields is not None else None
        if field is not None:
            below, name = field.type, field.name
        elif key[:1] == "_":
            below, name = "Element", key[1:]
            if fields is not None and name in fields:
                name = fields[name].name
        else:
            below, name = "", key
        if type(child) is dict:
            yield from _inside(child, _guess(child, below), f"{place}.{name}")
        else:
            for index, one in enumerate(child):
                if type(one) is dict:
                    yield from _inside(one, _guess(one, below), f"{place}.{name}[{index}]")


def _guess(value: dict[str, Any], kind: str) -> str:
    if kind:
        return kind
    return "Reference" if isinstance(value.get("reference"), str) else ""


def _fields(kind: Any) -> Any:
    if not isinstance(kind, str):
        return None
    try:
        found: Shape = shape(kind)
    except KeyError:
        return None
    return found.fields
