"""Calls for help, acceptance of the woman, and the closing of the record, as Communication."""

from fhirmod.mapping.table import Code, Part, Rows, Table


def _said(kind: str, *details: str, codes: tuple[Code, ...]) -> Table:
    part = Part(kind, "Communication", codes, Rows(kind).details(*details), profiles=(kind,))
    return Table(kind, (part,))


TABLES = (
    _said("help", "role", codes=Rows("help").codes("step")),
    _said("custody", "facility.id", "facility.name", codes=Rows("custody").codes("answer")),
    _said("sign-off", codes=(Code("sign-off"),)),
)
