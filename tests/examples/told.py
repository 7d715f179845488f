"""The examples as the tests read them: what each folder says, and how an expectation finds its value in a state."""

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from fhirmod.episode import Episode, Received, read_entry
from fhirmod.r4 import parse

EXAMPLES = Path(__file__).parents[2] / "examples"
FOLDERS = sorted(path.parent for path in EXAMPLES.glob("cases/*/expected.json"))
BEDSIDE = [folder for folder in FOLDERS if (folder / "entries.json").exists()]
PARTNER = [folder for folder in FOLDERS if (folder / "bundle.json").exists()]
_STEP = re.compile(r"([^.\[\]]+)|\[([^\]]+)\]")


@dataclass(frozen=True)
class Expected:
    """What `expected.json` says: states at named moments; when a queue arrived; which resources stay unread."""

    states: list[dict[str, Any]]
    received_at: str | None = None
    unread: tuple[str, ...] = ()


def expected(folder: Path) -> Expected:
    """Return the expectations of an example."""
    told = parse((folder / "expected.json").read_bytes())
    return Expected(told["states"], told.get("received_at"), tuple(told.get("unread", ())))


def told(folder: Path) -> dict[str, Any]:
    """Return the opening and entries of an example."""
    return dict(parse((folder / "entries.json").read_bytes()))


def episode(folder: Path) -> Episode:
    """Return the episode of an example: each entry as received when recorded, or all when their queue arrived."""
    given = told(folder)
    arrived = expected(folder).received_at
    opening = read_entry({"kind": "opening"} | given["opening"])
    entries = [read_entry(one) for one in given["entries"]]
    received = [Received(one, datetime.fromisoformat(arrived or str(one.recorded_at))) for one in entries]
    first = Received(opening, datetime.fromisoformat(str(opening.recorded_at)))
    return Episode(opening.id).adding([first, *received])


def value_at(document: Any, path: str) -> Any:
    """Return the value at a path such as ``balloons[0].compartments[cavity].volume.ml``; None if it is not there.

    Shape: inside brackets stands a number, or the name of the item wanted.
    """
    for name, item in _STEP.findall(path):
        if item:
            found = [one for n, one in enumerate(document) if str(n) == item or named(one) == item]
            document = found[0] if found else None
        elif isinstance(document, dict):
            document = document.get(name)
        else:
            raise LookupError(f"{path} leads nowhere at {name}")
    return document


def named(item: Any) -> Any:
    return item.get("name") if isinstance(item, dict) else None
