"""Decisions, as ServiceRequest."""

from fhirmod.mapping.table import Part, Rows, Table

TABLES = (
    Table(
        "decision",
        (Part("decision", "ServiceRequest", Rows("decision").codes("choice"), profiles=("decision",)),),
    ),
)
