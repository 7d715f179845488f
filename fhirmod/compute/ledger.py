"""The ledger of each balloon: what one pass over the entries says went in, came out, and how it ended.

No clock here: the same entries give the same ledgers at any time. `balloons` adds dwell and words.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from fhirmod.episode import (
    Absent,
    DeviceProblem,
    Entry,
    Examination,
    Expulsion,
    Fill,
    FollowUp,
    Opening,
    Outcome,
    Placement,
    Removal,
    VolumeStated,
    Withdrawal,
)

from .volume import Running, fill_ml, stated_ml
from .why import number

Way = Literal["removed", "pulled", "at-surgery", "not-known", "expelled", "died"]
COMPARTMENTS = ("cavity", "retention", "vaginal")
_DOUBT = frozenset({"leak", "burst", "displaced", "unmeasured-drainage", "unintended-deflation"})


@dataclass(slots=True)
class Ledger:
    """One balloon as a single pass found it; built here and only read elsewhere.

    Shape: `opened` is its placement, or the opening entry when she arrived with it and no placement is
           recorded; `end` is how and by which entry it came out (or "died" with it in).
    """

    n: int
    opened: Placement | Opening
    elsewhere: bool
    compartments: dict[str, Running]
    first_fill: Fill | None = None
    last_fill: Fill | None = None
    last_withdrawal: Withdrawal | None = None
    displaced: Entry | None = None
    end: tuple[Way, Entry] | None = None
    superseded: Entry | None = None
    fills: list[Fill] = field(default_factory=list)
    withdrawals: list[Withdrawal] = field(default_factory=list)

    @property
    def id(self) -> str:
        """Return the id of the entry that opened it."""
        return self.opened.id

    @property
    def out(self) -> bool:
        """Return whether it is recorded as out."""
        return self.end is not None and self.end[0] != "died"

    @property
    def cavity(self) -> Running:
        """Return the cavity's running sum."""
        return self.compartments["cavity"]


@dataclass(frozen=True, slots=True)
class Ledgers:
    """Every balloon in order of placement, and the entries that belong to none."""

    balloons: tuple[Ledger, ...]
    strays: tuple[Entry, ...]


def ledgers(entries: Iterable[Entry], heads: Mapping[str, str] | None = None) -> Ledgers:
    """Return the ledger of each balloon from standing entries in order of time.

    Units:  mL.
    Errors: none; an entry that belongs to no balloon is among the strays.
    Shape: `heads` leads from any id of a chain of corrections to the id that stands.
    Source: sources.ARITHMETIC.
    """
    book = _Book(heads or {})
    for entry in entries:
        turn = _TURNS.get(entry.kind)
        if turn is not None:
            turn(book, entry)
    return Ledgers(tuple(book.balloons), tuple(book.strays))


class _Book:
    """The balloons met so far in the pass."""

    def __init__(self, heads: Mapping[str, str]) -> None:
        self.heads = heads
        self.balloons: list[Ledger] = []
        self.by_id: dict[str, Ledger] = {}
        self.strays: list[Entry] = []

    def open(self, opened: Placement | Opening, *, elsewhere: bool) -> None:
        for earlier in self.balloons:
            if earlier.end is None and earlier.superseded is None:
                earlier.superseded = opened
        known = not elsewhere
        ledger = Ledger(
            len(self.balloons) + 1, opened, elsewhere, {name: Running(known=known) for name in COMPARTMENTS}
        )
        self.balloons.append(ledger)
        self.by_id[opened.id] = ledger
        if opened.corrects is not None:
            self.by_id[opened.corrects] = ledger

    def of(self, named: str | None) -> Ledger | None:
        """Return the balloon an entry names, else the one in place, else the last that came out."""
        if named is not None:
            found = self.by_id.get(named) or self.by_id.get(self.heads.get(named, ""))
            if found is not None:
                return found
        for ledger in reversed(self.balloons):
            if ledger.end is None and ledger.superseded is None:
                return ledger
        return self.balloons[-1] if self.balloons else None


def _opening(book: _Book, entry: Entry) -> None:
    if isinstance(entry, Opening) and entry.arrived_with_balloon == "yes" and not book.balloons:
        book.open(entry, elsewhere=True)


def _placement(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, Placement):
        return
    elsewhere = entry.elsewhere is not None
    first = book.balloons[0] if book.balloons else None
    if elsewhere and first is not None and isinstance(first.opened, Opening) and first.end is None:
        first.opened = entry
        book.by_id[entry.id] = first
        if entry.corrects is not None:
            book.by_id[entry.corrects] = first
    else:
        book.open(entry, elsewhere=elsewhere)


def _fill(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, Fill):
        return
    ledger = book.of(entry.placement)
    if ledger is None or ledger.out:
        book.strays.append(entry)
        return
    ledger.compartments[entry.compartment].fill(fill_ml(entry))
    if entry.compartment == "cavity":
        ledger.fills.append(entry)
        ledger.first_fill = ledger.first_fill or entry
        ledger.last_fill = entry


def _withdrawal(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, Withdrawal):
        return
    ledger = book.of(entry.placement)
    if ledger is None:
        book.strays.append(entry)
        return
    ledger.compartments[entry.compartment].withdraw(
        number(entry.volume_ml), entry.id, emptying=entry.purpose == "emptying"
    )
    if entry.compartment == "cavity":
        ledger.withdrawals.append(entry)
        ledger.last_withdrawal = entry


def _stated(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, VolumeStated):
        return
    ledger = book.of(entry.placement)
    if ledger is None or ledger.out:
        book.strays.append(entry)
        return
    ml = stated_ml(entry)
    if ml is not None:
        ledger.compartments[entry.compartment].state(ml, entry.certainty, entry.id)


def _problem(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, DeviceProblem) or entry.problem not in _DOUBT:
        return
    ledger = book.of(entry.placement)
    if ledger is not None and ledger.end is None:
        _doubt(
            ledger,
            entry,
            displaced=entry.problem == "displaced",
            unmeasured=entry.problem == "unmeasured-drainage",
        )


def _examination(book: _Book, entry: Entry) -> None:
    ledger = book.of(None)
    if not isinstance(entry, Examination) or ledger is None or ledger.end is not None:
        return
    if entry.position == "in-place":
        ledger.displaced = None
    elif entry.position == "displaced":
        _doubt(ledger, entry, displaced=True, unmeasured=False)


def _doubt(ledger: Ledger, entry: Entry, *, displaced: bool, unmeasured: bool) -> None:
    if displaced:
        ledger.displaced = entry
    for running in ledger.compartments.values():
        running.doubt(unmeasured=unmeasured)


def _out(book: _Book, entry: Entry) -> None:
    if not isinstance(entry, Expulsion | Removal):
        return
    ledger = book.of(entry.placement)
    if ledger is None or ledger.out:
        book.strays.append(entry)
    elif ledger.end is None:
        ledger.end = ("expelled" if isinstance(entry, Expulsion) else _way(entry), entry)


def _way(removal: Removal) -> Way:
    if removal.how is None:
        return "removed"
    return "not-known" if isinstance(removal.how, Absent) else removal.how


def _died(book: _Book, entry: Entry) -> None:
    if isinstance(entry, Outcome | FollowUp) and died(entry):
        for ledger in book.balloons:
            if ledger.end is None and ledger.superseded is None:
                ledger.end = ("died", entry)


def died(entry: Outcome | FollowUp) -> bool:
    """Return whether this entry says that she died."""
    return entry.status == "died" or (isinstance(entry, Outcome) and entry.disposition == "died")


_TURNS: dict[str, Callable[[_Book, Entry], None]] = {
    "opening": _opening,
    "placement": _placement,
    "fill": _fill,
    "withdrawal": _withdrawal,
    "volume-stated": _stated,
    "device-problem": _problem,
    "examination": _examination,
    "expulsion": _out,
    "removal": _out,
    "outcome": _died,
    "follow-up": _died,
}
LEDGER_KINDS = frozenset(_TURNS)
