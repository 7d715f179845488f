"""What spoils a record: typed late, twice, in the wrong unit, for the wrong woman; by choice, at a level.

One row for each kind of dirt: how many entries in a hundred it meets at each level (invented), and what it does.
A row changes one entry, and may give entries that follow it; it gives None where it has nothing to spoil.
"""

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Literal

from .dice import Dice
from .telling import Document

Level = Literal["none", "some", "much"]
LEVELS: tuple[Level, ...] = ("none", "some", "much")
_UNKNOWN = ("not-known", "not-done", "could-not-measure")
_NEVER = frozenset({"opening", "placement", "outcome", "follow-up", "sign-off"})
_CAN_BE_ABSENT = {
    "vital-signs": ("pulse_per_min", "mental_state"),
    "fill": ("volume_ml",),
    "withdrawal": ("volume_ml",),
    "blood-loss": ("volume_ml",),
    "urine": ("volume_ml",),
    "bleeding-response": ("response",),
    "uterine-check": ("fundus_finger_breadths", "tone"),
    "birth": ("mode",),
    "background": ("parity", "haemoglobin_before_g_dl", "asthma"),
    "laboratory": ("haemoglobin_g_dl",),
    "transfusion": ("volume_ml",),
}
_MIXED = (  # kind, field, what a slip of unit makes of it, in tenths
    ("laboratory", "haemoglobin_g_dl", 100),  # g/L written as g/dL
    ("laboratory", "lactate_mmol_l", 90),  # mg/dL
    ("background", "weight_kg", 22),  # pounds
    ("urine", "over_min", 1),  # tenths of an hour
)
_SLIPS = (("fill", "volume_ml"), ("blood-loss", "volume_ml"), ("vital-signs", "pulse_per_min"), ("urine", "volume_ml"))

Meet = Callable[[Dice, Document], list[Document] | None]


def spoilt(dice: Dice, entries: Sequence[Document], level: Level) -> tuple[list[Document], list[tuple[str, str]]]:
    """Return the entries in the order they arrive, and which dirt met which entry id."""
    if level == "none":
        return list(entries), []
    column = LEVELS.index(level)
    arriving: list[Document] = []
    met: list[tuple[str, str]] = []
    for entry in entries:
        following: list[Document] = []
        for name, rates, meet in DIRT:
            if entry["kind"] not in _NEVER and dice.chance(rates[column - 1]):
                more = meet(dice, entry)
                if more is not None:
                    met.append((name, str(entry["id"])))
                    following += more
        arriving += [entry, *following]
    return _in_wrong_order(dice, arriving, level), met


def _typed_late(dice: Dice, entry: Document) -> list[Document] | None:
    entry["recorded_at"] = _later(entry, dice.whole(1, 5))
    entry["at_source"] = dice.pick(("typed", "recalled"))
    entry["at_range"] = {"plus_minus_min": dice.pick((2, 5, 10, 15))}
    return []


def _time_unknown(dice: Dice, entry: Document) -> list[Document] | None:
    entry["at"] = {"absent": "not-known"} if dice.chance(50) or isinstance(entry["at"], dict) else entry["at"][:10]
    entry.pop("at_range", None)
    entry["at_source"] = "recalled"
    return []


def _skewed(dice: Dice, entry: Document) -> list[Document] | None:
    if entry["at_source"] != "device-clock":
        return None
    entry["clock_skew_s"] = dice.whole(-240, 240)
    return []


def _sent_twice(dice: Dice, entry: Document) -> list[Document]:
    return [dict(entry)]


def _recorded_by_two(dice: Dice, entry: Document) -> list[Document]:
    return [entry | {"id": dice.uuid(), "recorded_by": {"id": "nurse-2", "role": "nurse"}}]


def _value_unknown(dice: Dice, entry: Document) -> list[Document] | None:
    names = [name for name in _CAN_BE_ABSENT.get(entry["kind"], ()) if name in entry]
    if not names:
        return None
    entry[dice.pick(names)] = {"absent": dice.pick(_UNKNOWN)}
    return []


def _unit_mixed(dice: Dice, entry: Document) -> list[Document] | None:
    if entry.get("drug") == "tranexamic-acid":
        entry["dose"] = {"value": 1, "unit": "mg"}
        return []
    for kind, name, tenths in _MIXED:
        if entry["kind"] == kind and isinstance(entry.get(name), int | Decimal):
            entry[name] = entry[name] * Decimal(tenths).scaleb(-1)
            return []
    return None


def _slipped(dice: Dice, entry: Document) -> list[Document] | None:
    """Write a nought too many, and mostly correct it."""
    for kind, name in _SLIPS:
        value = entry.get(name)
        if entry["kind"] == kind and isinstance(value, int) and value:
            right = dict(entry)
            entry[name] = value * 10
            if dice.chance(75):
                return [right | _again(dice, entry) | {"corrects": entry["id"], "reason": "a nought too many"}]
            return []
    return None


def _wrong_woman(dice: Dice, entry: Document) -> list[Document]:
    """Put in something that belongs to another woman, and take it back."""
    stray = entry | {"id": dice.uuid(), "performed_by": {"id": "nurse-3", "role": "nurse"}}
    retraction = {name: entry[name] for name in ("at", "recorded_at", "at_source", "performed_by")}
    retraction |= {"kind": "retraction"} | _again(dice, entry)
    return [stray, retraction | {"retracts": stray["id"], "cause": "wrong-woman", "reason": "meant for bed 4"}]


def _again(dice: Dice, entry: Document) -> Document:
    return {"id": dice.uuid(), "recorded_at": _later(entry, 0)}


def _later(entry: Document, hours: int) -> str:
    """Return so many hours after an entry was recorded, on the same clock: at the end of that hour."""
    text = str(entry["recorded_at"])
    hour = min(23, int(text[11:13]) + hours)
    return f"{text[:11]}{hour:02}:59:00{text[19:]}"


def _in_wrong_order(dice: Dice, entries: list[Document], level: Level) -> list[Document]:
    """Return the entries as a queue that was offline delivers them: a stretch of them comes at the end, or reversed."""
    if not dice.chance(30 if level == "some" else 70):
        return entries
    start = dice.whole(1, max(1, len(entries) - 2))
    end = min(len(entries), start + dice.whole(2, 12))
    stretch = entries[start:end]
    if dice.chance(40):
        stretch.reverse()
    return [*entries[:start], *entries[end:], *stretch]


DIRT: tuple[tuple[str, tuple[int, int], Meet], ...] = (
    ("typed-late", (8, 35), _typed_late),
    ("time-unknown", (1, 5), _time_unknown),
    ("clock-skewed", (2, 8), _skewed),
    ("value-unknown", (2, 8), _value_unknown),
    ("unit-mixed", (3, 25), _unit_mixed),
    ("slipped", (1, 5), _slipped),
    ("recorded-by-two", (1, 3), _recorded_by_two),
    ("sent-twice", (2, 8), _sent_twice),
    ("wrong-woman", (1, 3), _wrong_woman),
)
