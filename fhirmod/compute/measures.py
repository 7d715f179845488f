"""The values of an episode that are stored: nothing here knows a clock, and each names what it depends on."""

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import Decimal
from itertools import accumulate

from fhirmod.episode import Entry, Placement

from .ledger import LEDGER_KINDS, Ledger, ledgers
from .loss import added
from .packs import packs
from .stop import STOP_KINDS, first_stop
from .when import minutes, when

Value = tuple[str | None, Decimal]
_LOSS = frozenset({"blood-loss"})
_PACKS = frozenset({"packing"})


@dataclass(frozen=True, slots=True)
class Measure:
    """A stored value: its key and unit, the kinds it depends on, and how it follows from standing entries.

    Shape: `of` takes standing entries in order of time and gives (entry id it belongs to, or None for the
           whole episode; value); what is not a known number is not given.
    """

    key: str
    unit: str
    depends_on: frozenset[str]
    of: Callable[[tuple[Entry, ...]], Iterable[Value]]


def _balloons(entries: tuple[Entry, ...]) -> Iterator[Ledger]:
    return (one for one in ledgers(entries).balloons if isinstance(one.opened, Placement))


def _volume(entries: tuple[Entry, ...]) -> Iterator[Value]:
    for one in _balloons(entries):
        if one.out:
            yield one.id, Decimal(0)
        elif one.superseded is None and one.cavity.certainty == "known":
            yield one.id, one.cavity.balance


def _total_in(entries: tuple[Entry, ...]) -> Iterator[Value]:
    return ((one.id, one.cavity.input) for one in _balloons(entries) if one.cavity.input or one.cavity.fills)


def _total_out(entries: tuple[Entry, ...]) -> Iterator[Value]:
    return ((one.id, one.cavity.output) for one in _balloons(entries) if one.cavity.withdrawals)


def _measured(entries: tuple[Entry, ...]) -> Iterator[Value]:
    return _summed(item.ml for item in added(entries) if not item.visual)


def _visual(entries: tuple[Entry, ...]) -> Iterator[Value]:
    return _summed(item.ml for item in added(entries) if item.visual)


def _since_placement(entries: tuple[Entry, ...]) -> Iterator[Value]:
    items = [(when(item.entry), item.ml) for item in added(entries) if not item.visual and item.ml is not None]
    times = [at for at, _ in items]
    before = [Decimal(0), *accumulate(ml for _, ml in items)]
    for entry in entries:
        if isinstance(entry, Placement) and entry.instant is not None:
            first = bisect_left(times, entry.instant)
            if first < len(items):
                yield entry.id, before[-1] - before[first]


def _summed(amounts: Iterable[Decimal | None]) -> Iterator[Value]:
    known = [ml for ml in amounts if ml is not None]
    if known:
        yield None, sum(known, Decimal(0))


def _first_stop(entries: tuple[Entry, ...]) -> Iterator[Value]:
    looks = [one for one in entries if one.kind in STOP_KINDS]
    times = [when(one) for one in looks]
    for one in _balloons(entries):
        end = one.end[1] if one.end is not None else one.superseded
        first = 0 if one.elsewhere else bisect_left(times, when(one.opened))
        own = looks[first : None if end is None else bisect_right(times, when(end))]
        value = first_stop(one, own).time_to_first_stop_min
        if isinstance(value, Decimal):
            yield one.id, value


def _packs_in(entries: tuple[Entry, ...]) -> Iterator[Value]:
    value = packs(entries).into
    if isinstance(value, Decimal):
        yield None, value


def _packs_out(entries: tuple[Entry, ...]) -> Iterator[Value]:
    value = packs(entries).out
    if isinstance(value, Decimal):
        yield None, value


def _dwell(entries: tuple[Entry, ...]) -> Iterator[Value]:
    for one in _balloons(entries):
        if one.end is not None and one.opened.instant is not None and one.end[1].instant is not None:
            yield one.id, minutes(one.end[1].instant - one.opened.instant)


MEASURES: tuple[Measure, ...] = (
    Measure("balloon-volume", "mL", LEDGER_KINDS, _volume),
    Measure("balloon-total-in", "mL", LEDGER_KINDS, _total_in),
    Measure("balloon-total-out", "mL", LEDGER_KINDS, _total_out),
    Measure("balloon-dwell", "min", LEDGER_KINDS, _dwell),
    Measure("time-to-first-stop", "min", LEDGER_KINDS | STOP_KINDS, _first_stop),
    Measure("blood-loss-measured", "mL", _LOSS, _measured),
    Measure("blood-loss-visual", "mL", _LOSS, _visual),
    Measure("blood-loss-since-placement", "mL", _LOSS | {"placement"}, _since_placement),
    Measure("packs-in", "{count}", _PACKS, _packs_in),
    Measure("packs-out", "{count}", _PACKS, _packs_out),
)
