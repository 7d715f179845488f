"""Putting finished resources into a store that nobody writes to: no episode, no Provenance, found like all others."""

from collections.abc import Iterable, Mapping
from typing import Any

from fhirmod.store import Access, Put, Store

from .indexing import values
from .putting import body_of, indexed


def shelve(store: Store, access: Access, resources: Iterable[Mapping[str, Any]], updated: str) -> None:
    """Return nothing; these resources stand there under their own ids, in their first version, last updated then."""
    puts = []
    for one in resources:
        tokens, references = indexed(one)
        put = Put(one["resourceType"], one["id"], "asserted", "PUT", body_of(one), tokens, references)
        puts.append(put._replace(values=values(one)))
    store.write(lambda writer: writer.put(access, puts, updated))
