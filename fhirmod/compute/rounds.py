"""Full rounds of observation: pressure, pulse, mental state, bleeding look, fundus, within a few minutes."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from fhirmod.episode import Absent, BleedingResponse, Entry, UterineCheck, VitalSigns

from .when import when

PARTS = ("pressure", "pulse", "mental-state", "bleeding", "fundus")
_LOOKED = frozenset({"could-not-measure", "not-applicable"})


@dataclass(frozen=True, slots=True)
class Round:
    """A full round; `at` is when its first part was taken, `until` when its last."""

    at: datetime
    until: datetime


def full_rounds(entries: Iterable[Entry], window: timedelta) -> tuple[Round, ...]:
    """Return the full rounds, from standing entries in order of time; everything else is partial.

    Shape: an unrecordable pressure was looked at and counts; "not done" and "not known" do not.
    Source: sources.PRACTICE.
    """
    rounds: list[Round] = []
    seen: dict[str, datetime] = {}
    for entry in entries:
        parts = parts_of(entry)
        if not parts:
            continue
        at = when(entry)
        for part in parts:
            seen[part] = at
        if len(seen) == len(PARTS):
            first = min(seen.values())
            if at - first <= window:
                rounds.append(Round(first, at))
                seen = {}
    return tuple(rounds)


def parts_of(entry: Entry) -> tuple[str, ...]:
    """Return which parts of a round an entry looked at."""
    if isinstance(entry, VitalSigns):
        return tuple(
            part
            for part, value in (
                ("pressure", entry.systolic_mmhg),
                ("pulse", entry.pulse_per_min),
                ("mental-state", entry.mental_state),
            )
            if _looked(value)
        )
    if isinstance(entry, BleedingResponse):
        return ("bleeding",) if _looked(entry.response) else ()
    if isinstance(entry, UterineCheck):
        return ("fundus",) if _looked(entry.fundus_finger_breadths) or _looked(entry.fundus_above_symphysis_cm) else ()
    return ()


def _looked(value: object) -> bool:
    return value is not None and (not isinstance(value, Absent) or value.absent in _LOOKED)
