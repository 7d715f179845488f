"""Device problems, as AdverseEvent (which has no status in R4: taking one back deletes it, with a Provenance)."""

from fhirmod.mapping.special import PlacementSuspect
from fhirmod.mapping.table import Part, Row, Rows, Table

_problem = Rows("device-problem")

TABLES = (
    Table(
        "device-problem",
        (
            Part(
                "device-problem",
                "AdverseEvent",
                _problem.codes("problem"),
                (*_problem.details("problem_text"), Row("placement", PlacementSuspect())),
                profiles=("device-problem",),
            ),
        ),
    ),
)
