"""A small invented case for the tests of the intake, and how they ask."""

from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID

from fhirmod.intake import Intake, Request
from fhirmod.store import Access

ALL = Access.whole("tests")
START = datetime(2026, 3, 1, 4, 0, tzinfo=UTC)
_ids = count(1)
_seconds = count()


def new_id() -> str:
    return str(UUID(int=next(_ids) + (4 << 76) + (8 << 60)))


def request(*, dry_run: bool = False) -> Request:
    """Return a request received one second after the one before."""
    return Request(ALL, START + timedelta(seconds=next(_seconds)), new_id, dry_run)


def entry(kind: str, at: str, **fields: Any) -> dict[str, Any]:
    return {"kind": kind, "id": new_id(), "at": f"2026-03-01T{at}:00Z", **fields}


def opened(intake: Intake, **fields: Any) -> str:
    document = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z", **fields}
    return intake.open(request(), document)[0].row.id


def told() -> list[dict[str, Any]]:
    """Return the entries of a short course with one balloon."""
    return [
        entry("birth", "02:01", mode="vaginal"),
        entry("haemorrhage", "02:03", causes=["tone", "tissue"]),
        entry("blood-loss", "02:05", method="drape", volume_ml=450, outlet="around"),
        entry("decision", "02:08", choice="balloon"),
        entry("placement", "02:11", label_max_ml=500, device="improvised-condom-catheter"),
        entry("fill", "02:12", volume_ml=50),
        entry("fill", "02:13", volume_ml=50),
        entry("vital-signs", "02:15", pulse_per_min=124, systolic_mmhg=92, diastolic_mmhg=50),
        entry("medication", "02:16", drug="oxytocin", route="intramuscular"),
        entry("bleeding-response", "02:17", response="stopped"),
    ]
