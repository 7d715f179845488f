"""The stay in which the record was opened, as Encounter."""

from fhirmod.mapping.special import DrillLabel, FacilityReference, ProtocolStampExtension, WomanReference
from fhirmod.mapping.table import Code, Part, Row, Rows, Table

_opening = Rows("opening")

TABLES = (
    Table(
        "opening",
        (
            Part(
                "encounter",
                "Encounter",
                (Code("opening"),),
                (
                    Row("facility", FacilityReference("serviceProvider")),
                    Row("woman", WomanReference()),
                    Row("drill", DrillLabel()),
                    *_opening.details("arrived_with_balloon"),
                    Row("protocol", ProtocolStampExtension()),
                ),
                profiles=("opening",),
            ),
        ),
    ),
)
