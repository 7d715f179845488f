"""An invented case of the entries that the demonstration's cases do not tell, so that every profile has an example."""

from decimal import Decimal
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from fhirmod.exchange.demo import Case
from fhirmod.mapping import BASE

_MIDWIFE = {"id": "midwife-1", "role": "midwife"}
_TOLD: tuple[tuple[str, dict[str, Any]], ...] = (
    ("02:10", {"kind": "birth", "mode": "vaginal"}),
    ("02:40", {"kind": "placement", "device": "purpose-made", "label_max_ml": 500}),
    ("02:41", {"kind": "fill", "compartment": "cavity", "volume_ml": 250}),
    (
        "02:45",
        {
            "kind": "vital-signs",
            "pulse_per_min": 96,
            "systolic_mmhg": 108,
            "diastolic_mmhg": 64,
            "respiratory_rate_per_min": 18,
            "temperature_cel": Decimal("36.8"),
            "spo2_percent": 98,
            "on_oxygen": "no",
            "mental_state": "alert",
            "capillary_refill_s": 2,
            "headache_or_breathless": "no",
            "nurse_concern": "no",
            "disproportionate_pain": "no",
        },
    ),
    ("02:50", {"kind": "urine", "volume_ml": 80, "over_min": 60}),
    ("02:55", {"kind": "fluid", "fluid": "ringer-lactate", "volume_ml": 500}),
    ("03:00", {"kind": "newborn", "baby": 1, "status": "alive", "breastfeeding": "yes"}),
    ("03:10", {"kind": "device-problem", "problem": "leak"}),
    ("03:15", {"kind": "complication", "complication": "pain"}),
    ("03:20", {"kind": "acknowledgement", "finding": "observation-overdue"}),
    ("09:00", {"kind": "follow-up", "status": "alive", "day": 42}),
)


def specimens() -> Case:
    """Return the case; its ids are made from its place in this table."""
    opening = {
        "id": _id("opening"),
        "facility": {"id": "clinic-a", "name": "Clinic A (invented)"},
        **_at("02:10"),
        "woman": {"label": "woman, bed 3"},
        "drill": True,
    }
    entries = [
        {**told, "id": _id(str(number)), **_at(at), "performed_by": _MIDWIFE} for number, (at, told) in enumerate(_TOLD)
    ]
    return Case("specimens", "What the other cases do not tell", opening, entries)


def _at(time: str) -> dict[str, str]:
    instant = f"2026-03-01T{time}:00+01:00"
    return {"at": instant, "recorded_at": instant}


def _id(name: str) -> str:
    return str(uuid5(NAMESPACE_URL, f"{BASE}/specimens/{name}"))
