"""The haemorrhage and what went wrong, as Condition."""

from fhirmod.episode import Haemorrhage
from fhirmod.mapping.codec import codec_of
from fhirmod.mapping.special import DueTo
from fhirmod.mapping.table import Code, Part, Row, Rows, Table

_complication = Rows("complication")

TABLES = (
    Table(
        "haemorrhage",
        (
            Part(
                "haemorrhage",
                "Condition",
                (Code("haemorrhage"),),
                (Row("causes", DueTo(codec_of(Haemorrhage, "causes", "haemorrhage.causes"))),),
                profiles=("haemorrhage",),
            ),
        ),
    ),
    Table(
        "complication",
        (
            Part(
                "complication",
                "Condition",
                _complication.codes("complication"),
                _complication.details("complication_text"),
                profiles=("complication",),
            ),
        ),
    ),
)
