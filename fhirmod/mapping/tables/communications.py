"""Calls for help, acceptance of the woman, findings seen, and the closing of the record, as Communication."""

from fhirmod.mapping.special import FacilityDetail
from fhirmod.mapping.table import Code, Part, Row, Rows, Table


def _said(kind: str, *rows: Row, codes: tuple[Code, ...]) -> Table:
    part = Part(kind, "Communication", codes, rows, profiles=(kind,))
    return Table(kind, (part,))


TABLES = (
    _said("help", *Rows("help").details("role"), codes=Rows("help").codes("step")),
    _said("custody", Row("facility", FacilityDetail("custody.facility")), codes=Rows("custody").codes("answer")),
    _said("acknowledgement", *Rows("acknowledgement").details("finding"), codes=(Code("acknowledgement"),)),
    _said("sign-off", codes=(Code("sign-off"),)),
)
