"""The R4 facts as data, read once when first asked for (see `build` for what they hold)."""

import gzip
from functools import cache
from importlib import resources
from typing import Any

import msgspec

Json = dict[str, Any]


@cache
def facts() -> Json:
    """Return the whole facts file, parsed."""
    packed = resources.files("fhirmod.r4").joinpath("definitions/facts.json.gz").read_bytes()
    found: Json = msgspec.json.decode(gzip.decompress(packed))
    return found


@cache
def concrete_types() -> frozenset[str]:
    """Return the resource types whose definitions are carried here."""
    return frozenset(
        name for name, one in facts()["types"].items() if one["kind"] == "resource" and not one["abstract"]
    )


@cache
def known_types() -> frozenset[str]:
    """Return the names of all R4 resource types, carried or not."""
    types = facts()["types"]
    return frozenset(name for name in facts()["known_types"] if not types.get(name, {}).get("abstract", False))


def bases(name: str) -> set[str]:
    """Return the types that a type or nested element is made from."""
    found = set()
    types = facts()["types"]
    above = types.get(name, {}).get("base", "BackboneElement" if "." in name else "")
    while above:
        found.add(above)
        above = types.get(above, {}).get("base", "")
    return found
