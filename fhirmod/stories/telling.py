"""A story while it is told: a clock that only goes on, who is in the room, how she is, and the entries so far."""

from datetime import date
from functools import lru_cache
from typing import Any

from .dice import Dice
from .figures import CHANCES, FIGURES

Document = dict[str, Any]
_FIRST_DAY = date(2026, 1, 1).toordinal()
_OFFSETS = ("Z", "+01:00", "+03:00", "+05:30", "-05:00")
FACILITIES = (
    {"id": "clinic-a", "name": "Clinic A (invented)"},
    {"id": "hospital-b", "name": "District hospital B (invented)"},
    {"id": "hospital-c", "name": "Regional hospital C (invented)"},
)
_ROLES = {
    "medication": "nurse",
    "infusion": "nurse",
    "fluid": "nurse",
    "transfusion": "nurse",
    "urine": "nurse",
    "laboratory": "laboratory",
    "decision": "doctor",
    "placement-attempt": "doctor",
    "placement": "doctor",
    "examination": "doctor",
    "surgery": "surgeon",
    "custody": "registrar",
    "outcome": "doctor",
    "sign-off": "doctor",
}


class Telling:
    """The teller of one story; `minute` counts from the opening, `lost` is the blood lost so far in mL."""

    def __init__(self, dice: Dice) -> None:
        self.dice = dice
        self.day = _FIRST_DAY + dice.whole(0, 364)
        self.hour = dice.whole(0, 23)
        self.offset = dice.pick(_OFFSETS)
        self.minute = 0
        self.lost = 0
        self.bleeding = "not-stopped"
        self.rest = (self.figure("pulse"), self.figure("systolic"), self.figure("diastolic"))
        self.baseline = False
        self.fundus = dice.whole(-1, 1)
        self.drain = False
        self.drained = 0
        self.entries: list[Document] = []

    def figure(self, name: str) -> int:
        """Return a draw of a figure of the table."""
        one = FIGURES[name]
        return self.dice.around(one.low, one.typical, one.high)

    def chance(self, name: str) -> bool:
        """Return whether a chance of the table fell."""
        return self.dice.chance(CHANCES[name].percent)

    def wait(self, minutes: int) -> None:
        """Let the clock go on."""
        self.minute += minutes

    def at(self, minute: int) -> str:
        """Return a minute of the story as text with offset."""
        days, rest = divmod(self.hour * 60 + minute, 1440)
        return f"{_day(self.day + days)}T{rest // 60:02}:{rest % 60:02}:00{self.offset}"

    def add(self, kind: str, **fields: Any) -> str:
        """Add an entry of this minute and return its id."""
        role = _ROLES.get(kind, "midwife")
        now = self.at(self.minute)
        document: Document = {
            "kind": kind,
            "id": self.dice.uuid(),
            "at": now,
            "recorded_at": now,
            "at_source": "device-clock",
        }
        document["performed_by"] = {"id": f"{role}-1", "role": role}
        document.update(fields)
        self.entries.append(document)
        return str(document["id"])

    def bleed(self, volume_ml: int) -> None:
        """Let her lose so much more."""
        self.lost += volume_ml

    def vital_signs(self, **more: Any) -> None:
        """Add a set of vital signs that follows from what was lost: the pulse rises before the pressure falls."""
        pulse, systolic, diastolic = self.rest
        systolic -= self.lost // 60 - self.dice.whole(-6, 6)
        diastolic -= self.lost // 90 - self.dice.whole(-5, 5)
        self.add(
            "vital-signs",
            pulse_per_min=pulse + self.lost // 45 + self.dice.whole(-6, 6),
            systolic_mmhg=max(systolic, 48),
            diastolic_mmhg=max(min(diastolic, systolic - 14), 26),
            **more,
        )

    def look(self, response: str | None = None) -> None:
        """Add a look at the bleeding; without a word it is as it was."""
        self.bleeding = response or self.bleeding
        self.add("bleeding-response", response=self.bleeding)

    def full_round(self) -> None:
        """Add a full round: vital signs with the mental state, a look at the bleeding, the fundus."""
        confused = self.lost > 2200 and self.dice.chance(50)
        self.vital_signs(mental_state="confused" if confused else "alert")
        self.look()
        firm = "soft" if self.bleeding in ("not-stopped", "returned") and self.dice.chance(50) else "firm"
        first = {} if self.baseline else {"baseline": True}
        self.add("uterine-check", tone=firm, fundus_finger_breadths=self.fundus, **first)
        self.baseline = True


@lru_cache(maxsize=1024)
def _day(ordinal: int) -> str:
    return date.fromordinal(ordinal).isoformat()
