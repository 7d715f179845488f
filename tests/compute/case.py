"""An invented case told in few words: `case.at("02:10", "birth")`; ids and offsets are filled in."""

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from fhirmod.compute import State
from fhirmod.episode import Entry, Episode, Protocol, Received, read_entry
from fhirmod.validation import assessed


class Case:
    """Entries of one invented woman on one day and the next, in one offset."""

    def __init__(self, day: str = "2026-03-01", offset: str = "+01:00") -> None:
        self.midnight = datetime.fromisoformat(f"{day}T00:00:00{offset}")
        self.entries: list[Entry] = []
        self.received: list[Received] = []

    def moment(self, clock: str) -> datetime:
        """Return "HH:MM" of the first day, or "+1 HH:MM" of the next."""
        days, _, time = clock.rpartition(" ")
        hours, minutes = time.split(":")
        return self.midnight + timedelta(days=int(days or 0), hours=int(hours), minutes=int(minutes))

    def at(self, clock: str, kind: str, *, received: str | None = None, **fields: Any) -> str:
        """Add an entry and return its id."""
        entry_id = f"{len(self.entries) + 1:08x}-0000-4000-8000-00000000ca5e"
        moment = self.moment(clock)
        value = {"kind": kind, "id": entry_id, "at": moment.isoformat(), "recorded_at": moment.isoformat()}
        value |= {name: exact(one) for name, one in fields.items()}
        self.add(value, received or clock)
        return entry_id

    def add(self, value: dict[str, Any], received: str) -> None:
        """Add an entry as it is given."""
        entry = read_entry(value)
        self.entries.append(entry)
        self.received.append(Received(entry, self.moment(received)))

    def round(
        self, clock: str, pulse: int = 88, systolic: int = 112, diastolic: int = 70, look: str = "stopped"
    ) -> None:
        """Add a full round: pressure, pulse, mental state, bleeding look, fundus."""
        self.at(
            clock,
            "vital-signs",
            pulse_per_min=pulse,
            systolic_mmhg=systolic,
            diastolic_mmhg=diastolic,
            mental_state="alert",
        )
        self.at(clock, "bleeding-response", response=look)
        self.at(clock, "uterine-check", fundus_finger_breadths=0)

    @property
    def episode(self) -> Episode:
        """Return the episode told so far."""
        return Episode("case").adding(self.received)

    def state(self, clock: str, known_at: str | None = None, protocol: Protocol | None = None) -> State:
        """Return the computed state at a time of the clock."""
        return assessed(
            self.episode,
            as_of=self.moment(clock),
            known_at=None if known_at is None else self.moment(known_at),
            protocol=protocol or Protocol.default(),
        )


def record_codes(state: State) -> list[str]:
    """Return the codes of the findings about the record itself."""
    return [one.code for one in state.findings if one.code.startswith("record-")]


def exact(value: Any) -> Any:
    """Return JSON-like values with Decimals for floats, as the exact reader gives them."""
    if isinstance(value, float):
        return Decimal(str(value))
    if isinstance(value, dict):
        return {name: exact(one) for name, one in value.items()}
    return [exact(one) for one in value] if isinstance(value, list) else value


def seen(*values: object) -> tuple[object, ...]:
    """Return the values as one tuple to compare with what is expected; 300 equals Decimal(300)."""
    return values
