"""Taking an entry back, as Provenance of the resources that become entered-in-error."""

from typing import Any

from fhirmod.episode import Retraction
from fhirmod.mapping.envelope import NOBODY
from fhirmod.mapping.special import RetractedTargets
from fhirmod.mapping.table import Code, Part, Row, Rows, Table


def _agent(target: dict[str, Any], entry: Retraction, root: str) -> None:
    """Satisfy R4: a Provenance has an agent, if only to say that none is recorded."""
    target.setdefault("agent", [{"who": NOBODY}])


TABLES = (
    Table(
        "retraction",
        (
            Part(
                "retraction",
                "Provenance",
                (Code("retraction"),),
                (Row("retracts", RetractedTargets()), *Rows("retraction").details("cause", "moved_to")),
                profiles=("retraction",),
                finish=_agent,
            ),
        ),
    ),
)
