"""Speed of the computed state: as a ratio to decoding the same entries, and how it grows with their number."""

import gc
import time
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from statistics import median
from typing import Any

import jiter
import msgspec

from fhirmod.compute import LOCAL_MEASURES, MEASURES, state
from fhirmod.episode import Entry, Episode, Protocol, Received, VitalSigns, read_entry
from tests.authorities.scenarios import transferred
from tests.compute.case import Case

ROUNDS = 7
SIZES = (150, 500, 1000, 2000)


def run() -> list[tuple[str, float, str]]:
    """Return name, figure and unit of each measurement; times are medians of warm rounds."""
    figures: list[tuple[str, float, str]] = []
    states: dict[int, float] = {}
    for size in SIZES:
        lines = _lines(size)
        decode = _ms(partial(_decoded, lines))
        states[size] = _state_ms(lines)
        figures.append((f"decode {size} entries", decode, "ms"))
        figures.append((f"state of {size} entries", states[size], "ms"))
        if size == SIZES[0]:
            figures.append(("state / decode at 150 (at most 5)", states[size] / decode, "ratio"))
            figures += _measures(lines)
    per_entry = (states[SIZES[-1]] / SIZES[-1]) / (states[SIZES[0]] / SIZES[0])
    figures.append(("time per entry at 2000 / at 150 (linear is 1)", per_entry, "ratio"))
    return figures


def _measures(lines: list[bytes]) -> list[tuple[str, float, str]]:
    episode = episode_of(lines)
    standing = episode.standing()
    shown = state(episode, as_of=episode.received[-1].at, protocol=Protocol.default())
    return [
        ("all stored measures of 150 entries", _ms(lambda: [list(one.of(standing)) for one in MEASURES]), "ms"),
        ("local measures of 150 entries", _ms(lambda: _local(standing)), "ms"),
        ("state as a document", _ms(shown.document), "ms"),
    ]


def _local(standing: tuple[Entry, ...]) -> list[Any]:
    return [one.of(entry) for entry in standing if isinstance(entry, VitalSigns) for one in LOCAL_MEASURES]


def _state_ms(lines: list[bytes]) -> float:
    """Return the median time of a state from entries just decoded, so that nothing is cached in them."""
    spent = []
    for _ in range(ROUNDS):
        episode = episode_of(lines)
        spent.append(once(partial(state, episode, as_of=episode.received[-1].at, protocol=Protocol.default())))
    return median(spent)


def course(size: int) -> Episode:
    """Return an episode of so many entries."""
    return episode_of(_lines(size))


def _lines(size: int) -> list[bytes]:
    """Return so many entries as JSON: a whole course, then rounds, drain readings and refills."""
    case: Case = transferred()
    minute = 20 * 60
    while len(case.entries) < size:
        minute += 5
        clock = f"{minute // 60}:{minute % 60:02d}"
        case.round(clock, look="stopped")
        case.at(clock, "blood-loss", method="weighed", outlet="around", volume_ml=5)
        if minute % 50 == 0:
            case.at(clock, "urine", volume_ml=40, over_min=60)
            case.at(clock, "medication", drug="oxytocin", dose={"value": 5, "unit": "[IU]"})
    encoder = msgspec.json.Encoder(decimal_format="number")
    return [encoder.encode(entry.document()) for entry in case.entries[:size]]


def _decoded(lines: list[bytes]) -> list[Entry]:
    return [read_entry(jiter.from_json(line, float_mode="decimal", catch_duplicate_keys=True)) for line in lines]


def episode_of(lines: list[bytes]) -> Episode:
    entries = _decoded(lines)
    moments = [entry.recorded_at.instant for entry in entries]
    received = [Received(entry, at + timedelta(seconds=2)) for entry, at in zip(entries, moments, strict=True) if at]
    return Episode("benchmark").adding(received)


def _ms(work: Callable[[], Any]) -> float:
    work()
    return median(once(work) for _ in range(ROUNDS))


def once(work: Callable[[], Any]) -> float:
    gc.collect()
    gc.disable()
    try:
        start = time.perf_counter()
        work()
        return (time.perf_counter() - start) * 1000
    finally:
        gc.enable()
