"""The invented cases that the demonstration loads; each is a drill and never leaves for a registry.

They live in the project's `examples/cases`, one folder each: `story.md` (for people), `entries.json` or `bundle.json`,
and `expected.json` (what the state must say, for the tests). The wheel carries the same folder beside this module.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from fhirmod.mapping import derived_entry_id
from fhirmod.r4 import parse


@dataclass(frozen=True, slots=True)
class Case:
    """An invented case of bedside entries: its name, one line about it, its opening, and its entries in order."""

    name: str
    title: str
    opening: dict[str, Any]
    entries: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class PartnerCase:
    """An invented case as another system sends it: its name, one line about it, and its transaction Bundle.

    Shape: `episode` is the id it has here, made from that of its anchor, the Procedure that is part of no other.
    """

    name: str
    title: str
    bundle: bytes

    @property
    def episode(self) -> str:
        resources = [entry["resource"] for entry in parse(self.bundle)["entry"]]
        anchor = next(one for one in resources if one["resourceType"] == "Procedure" and "partOf" not in one)
        return derived_entry_id(f"Procedure/{anchor['id']}")


def demo_cases() -> Iterator[Case]:
    """Return the invented cases of bedside entries, by name."""
    for folder in _folders("entries.json"):
        told = parse((folder / "entries.json").read_bytes())
        yield Case(folder.name, _title(folder), told["opening"], told["entries"])


def partner_cases() -> Iterator[PartnerCase]:
    """Return the invented cases that other systems wrote, by name."""
    for folder in _folders("bundle.json"):
        yield PartnerCase(folder.name, _title(folder), (folder / "bundle.json").read_bytes())


def _folders(file: str) -> Iterator[Traversable]:
    home = files(__package__) / "cases"
    if not home.is_dir():  # in a checkout the examples are their home
        home = Path(__file__).parents[2] / "examples" / "cases"
    for folder in sorted(home.iterdir(), key=lambda one: one.name):
        if (folder / file).is_file():
            yield folder


def _title(folder: Traversable) -> str:
    return (folder / "story.md").read_text("utf-8").splitlines()[0].removeprefix("# ")
