"""The two-way tables, one module for each resource type; `TABLES` is the index by kind of entry."""

from fhirmod.mapping.table import Table

from . import (
    adverse_events,
    communications,
    conditions,
    consents,
    encounters,
    medications,
    observations,
    procedures,
    provenance,
    requests,
)

TABLES: dict[str, Table] = {
    table.kind: table
    for room in (
        encounters,
        observations,
        procedures,
        medications,
        conditions,
        requests,
        communications,
        consents,
        adverse_events,
        provenance,
    )
    for table in room.TABLES
}

__all__ = ["TABLES"]
