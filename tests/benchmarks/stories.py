"""Speed of the story generator: stories and entries a second, and what a hundred thousand would take."""

import time

from fhirmod.stories import LEVELS, stories

MANY = 100_000


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return name, figure and unit of each measurement, one round each."""
    figures: list[tuple[str, float, str]] = []
    for dirt in LEVELS:
        count = 500 if short else 5_000
        start = time.perf_counter()
        entries = sum(len(one.entries) for one in stories(count, 1, dirt=dirt))
        spent = time.perf_counter() - start
        figures.append((f"stories a second, dirt {dirt}", count / spent, f"1/s, mean of {entries / count:.0f} entries"))
        figures.append((f"{MANY} stories, dirt {dirt}", MANY / count * spent / 60, "min, on one core"))
    return figures
