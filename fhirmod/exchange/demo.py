"""The invented cases that the demonstration loads; each is a drill and never leaves for a registry."""

from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from fhirmod.r4 import parse


@dataclass(frozen=True, slots=True)
class Case:
    """An invented case: its name, one line about it, its opening, and its entries in order."""

    name: str
    title: str
    opening: dict[str, Any]
    entries: list[dict[str, Any]]


def demo_cases() -> Iterator[Case]:
    """Return the invented cases, by name."""
    folder = files(__package__) / "cases"
    for path in sorted(folder.iterdir(), key=lambda one: one.name):
        if path.name.endswith(".json"):
            told = parse(path.read_bytes())
            yield Case(path.name.removesuffix(".json"), told["title"], told["opening"], told["entries"])
