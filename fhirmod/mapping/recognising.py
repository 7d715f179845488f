"""What a received resource can be an entry of: by our own extension, else by its type and code."""

from collections.abc import Mapping
from functools import cache
from typing import Any

from terminology import concept, find

from .codec import Unread
from .paths import get_at
from .shapes import SHAPES
from .table import Code, Part
from .tables import TABLES
from .urls import ENTRY

CONTEXT_TYPES = frozenset(
    {"Patient", "Organization", "Practitioner", "PractitionerRole", "Location", "Provenance", "RelatedPerson"}
)
_SILENT = CONTEXT_TYPES | {"Medication"}


def says_no_entry(resource_type: str, resource: Mapping[str, Any] | None) -> bool:
    """Return whether a resource is who, where, with what, or a partner's anchor: kept, nothing to read as an entry."""
    if resource_type in _SILENT:
        return own_kind(resource) is None
    if resource is None:
        return False
    if resource_type == "Encounter":
        types = [one for type_ in resource.get("type", ()) for one in type_.get("coding", ())]
        return own_kind(resource) is None and not find(types, ("opening",))
    codings = resource.get("code", {}).get("coding", ()) if resource_type == "Procedure" else ()
    return find(codings, ("anchor",)) is not None


def recognise(resource_type: str, named: str | None, codings: Any) -> tuple[Part, Code, str]:
    """Return the part, code and kind that a resource's codings mean; `named` is the kind our extension says.

    Errors: Unread if they mean nothing that is recorded here.
    """
    candidates = _candidates(resource_type, named if named in TABLES else None)
    key = find(codings, candidates.keys())
    if key is None:
        codes = ", ".join(str(coding.get("code")) for coding in codings) or "no code"
        raise Unread(f"its code ({codes}) is none that is recorded here")
    return candidates[key]


@cache
def _candidates(resource_type: str, kind: str | None) -> dict[str, tuple[Part, Code, str]]:
    """Return what a resource of this type can be, by the concept key of its code.

    Where two kinds share a code (a drug given once, or by infusion) and nothing tells which is meant, it is the
    kind whose table comes first.
    """
    found: dict[str, tuple[Part, Code, str]] = {}
    taken: set[str] = set()
    for name in (kind,) if kind is not None else TABLES:
        for part in TABLES[name].parts:
            if part.type == resource_type:
                for code in part.codes:
                    if (own := concept(code.key).code) not in taken:
                        taken.add(own)
                        found[code.key] = (part, code, name)
    return found


def own_kind(resource: Mapping[str, Any] | None) -> str | None:
    """Return the kind of entry that our own extension names, or None."""
    return _own(resource, "kind", "valueCode")


def own_id(resource: Mapping[str, Any] | None) -> str | None:
    """Return the id of the entry that our own extension names (a correction's), or None."""
    return _own(resource, "id", "valueId")


def _own(resource: Mapping[str, Any] | None, url: str, value: str) -> str | None:
    for item in (resource or {}).get("extension", ()):
        if item.get("url") == ENTRY:
            for part in item.get("extension", ()):
                if part.get("url") == url:
                    return str(part.get(value))
    return None


def kind_of(resource: Mapping[str, Any]) -> str | None:
    """Return the kind of entry a resource's code means, whatever else it says, or None."""
    type_ = str(resource["resourceType"])
    shape = SHAPES.get(type_)
    if shape is None:
        return None
    try:
        return recognise(type_, own_kind(resource), (get_at(resource, shape.code) or {}).get("coding", ()))[2]
    except Unread:
        return None
