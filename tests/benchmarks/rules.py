"""Speed of the rules: all of them, and those of a write's answer, as ratios to computing the state of the same episode."""

from collections.abc import Callable
from functools import partial
from statistics import median

from fhirmod.compute import state
from fhirmod.episode import Protocol
from fhirmod.validation import RULES, findings

from .state import course, once

ROUNDS = 15
SIZES = (150, 1000)


def run() -> list[tuple[str, float, str]]:
    """Return name, figure and unit; each is the median of rounds that take turns, on the same entries, warm."""
    rows: list[tuple[str, float, str]] = []
    protocol = Protocol.default()
    for size in SIZES:
        episode = course(size)
        at = episode.received[-1].at
        works: dict[str, Callable[[], object]] = {
            "state": partial(state, episode, as_of=at, protocol=protocol),
            "all": partial(findings, episode, as_of=at, protocol=protocol),
            "bedside": partial(findings, episode, as_of=at, protocol=protocol, tiers=("now", "soon")),
        }
        spent: dict[str, list[float]] = {name: [] for name in works}
        for _ in range(ROUNDS):
            for name, work in works.items():
                spent[name].append(once(work))
        base, every, bedside = (median(spent[name]) for name in works)
        rows.append((f"all {len(RULES)} rules / state of {size} entries", every / base, f"{every:.2f} ms; under 2"))
        rows.append((f"now and soon / state of {size} entries", bedside / base, f"{bedside:.2f} ms in every write"))
    return rows
