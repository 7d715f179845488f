"""Our conformance resources as a service shows them: a store of their own, filled when first asked, never written.

They are packed beside this module by the contract's generator, so nothing is made from the tables at run time.
"""

import atexit
import lzma
import threading
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from fhirmod.intake import shelve
from fhirmod.r4 import dump, parse
from fhirmod.store import Access, Store, open_store
from terminology import publication

PACKED_RESOURCES = "published.json.xz"
PUBLISHED_TYPES = frozenset(
    (
        "CapabilityStatement",
        "CodeSystem",
        "ConceptMap",
        "NamingSystem",
        "OperationDefinition",
        "SearchParameter",
        "StructureDefinition",
        "ValueSet",
    )
)
_OPENING = threading.Lock()


def packed_resources(resources: Iterable[dict[str, Any]]) -> bytes:
    """Return these resources as they are kept beside this module."""
    return lzma.compress(b"[" + b",".join(map(dump, resources)) + b"]", preset=9)


def unpacked_resources(kept: bytes) -> list[dict[str, Any]]:
    """Return the resources of what `packed_resources` made."""
    found: list[dict[str, Any]] = parse(lzma.decompress(kept))
    return found


@cache
def published_resources() -> tuple[dict[str, Any], ...]:
    """Return every conformance resource of ours, as packed; read once."""
    return tuple(unpacked_resources(files(__package__).joinpath(PACKED_RESOURCES).read_bytes()))


def published_store() -> Store:
    """Return the store that holds them, one for the process; it is gone when that ends."""
    with _OPENING:
        return _filled()


@cache
def _filled() -> Store:
    folder = TemporaryDirectory(prefix="fhirmod-published-")
    store = open_store(f"sqlite:///{Path(folder.name) / 'published.db'}")
    atexit.register(folder.cleanup)
    atexit.register(store.close)  # before its folder goes: the last that is registered is called first
    shelve(store, Access.whole("fhirmod"), published_resources(), f"{publication()['date']}T00:00:00Z")
    return store
