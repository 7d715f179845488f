"""Our profiles and extensions, made from the mapping tables: what we send, and what a partner may hold us to.

`definitions` and `value_sets` make them (for the contract); `KNOWN` are the same as they were made, for checking.
"""

import gzip
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from typing import Any

import msgspec

from fhirmod.r4 import R4, Known
from terminology import OWN_SYSTEM, VERSION, concept, publication, value_sets

from .assembled import assembled
from .extensions import extensions
from .gathering import gathered
from .profile import Authored, codes_url, definition

PACKED = "definitions.json.gz"
_KEPT = ("id", "path", "sliceName", "min", "max", "base", "slicing", "binding", "type", "maxLength")

__all__ = [
    "PACKED",
    "Authored",
    "authored",
    "content",
    "definitions",
    "known",
    "packed",
    "profile_value_sets",
    "unpacked",
]


def authored() -> list[Authored]:
    """Return every profile and extension of ours, extensions first."""
    return [*extensions(), *gathered(), *assembled()]


def definitions() -> list[dict[str, Any]]:
    """Return every StructureDefinition of ours, with differential and snapshot."""
    made: dict[str, dict[str, Any]] = {}

    def find(url: str) -> Any:
        return made.get(url) or R4.definition(url)

    for one in authored():
        new = definition(one, find)
        made[new["url"]] = new
    return list(made.values())


def profile_value_sets() -> Iterator[dict[str, Any]]:
    """Return the value set of the codes of each profile whose resources may have several."""
    for one in authored():
        if len(one.codes) > 1:
            listed = {concept(key).code: concept(key).display for key in one.codes}
            yield {
                "resourceType": "ValueSet",
                "id": f"codes-of-{one.name}",
                "url": codes_url(one.name),
                "version": VERSION,
                "name": "CodesOf" + "".join(part.capitalize() for part in one.name.split("-")),
                "title": f"Codes of {one.name}",
                "status": "draft",
                "experimental": False,
                **publication(),
                "description": f"The codes that say which act or finding a resource of the profile {one.name} is.",
                "compose": {
                    "include": [
                        {"system": OWN_SYSTEM, "concept": [{"code": c, "display": d} for c, d in listed.items()]}
                    ]
                },
            }


def content() -> dict[str, Any]:
    """Return what run time needs of them: no prose, no differential."""
    sets = (*value_sets(), *profile_value_sets())
    return {
        "definitions": [_slim(one) for one in definitions()],
        "value_sets": [{"url": one["url"], "compose": _bare(one["compose"])} for one in sets],
    }


def packed(content: dict[str, Any]) -> bytes:
    """Return that content as it is kept beside this module."""
    return gzip.compress(msgspec.json.encode(content, order="sorted"), 9, mtime=0)


def unpacked(kept: bytes) -> dict[str, Any]:
    """Return the content of what `packed` made."""
    found: dict[str, Any] = msgspec.json.decode(gzip.decompress(kept))
    return found


@cache
def known() -> Known:
    """Return our definitions and value sets as the engine takes them, read once from what was packed."""
    kept = unpacked(files(__package__).joinpath(PACKED).read_bytes())
    return Known(kept["definitions"], kept["value_sets"])


def _slim(one: dict[str, Any]) -> dict[str, Any]:
    elements = []
    for element in one["snapshot"]["element"]:
        kept = {k: v for k, v in element.items() if k in _KEPT or k.startswith(("fixed", "pattern", "minV", "maxV"))}
        elements.append(kept)
    head: dict[str, Any] = {key: one[key] for key in ("url", "type", "context") if key in one}
    return {**head, "snapshot": {"element": elements}}


def _bare(compose: dict[str, Any]) -> dict[str, Any]:
    """Return what a value set lists, without displays."""
    return {
        "include": [
            {"system": one["system"], "concept": [{"code": each["code"]} for each in one.get("concept", ())]}
            for one in compose["include"]
        ]
    }
