"""How long a person waits for a command: whole processes, the best of several rounds (a busy machine only adds)."""

import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.examples.told import EXAMPLES

CASE = str(EXAMPLES / "cases" / "straightforward" / "entries.json")
WANTED_S = 0.5
COMMANDS = (
    ("--version",),
    ("show", CASE),
    ("show", "785b", "--db", "ward.db"),
    ("show", "--db", "ward.db"),
    ("check", CASE),
    ("convert", CASE, "-o", "bundle.json"),
    ("rebuild", "--db", "ward.db"),
)


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return name, figure and unit of each measurement."""
    figures: list[tuple[str, float, str]] = []
    with TemporaryDirectory() as folder:
        _once(("demo", "--db", "ward.db"), folder)
        for command in COMMANDS:
            best = min(_once(command, folder) for _ in range(3 if short else 9))
            named = " ".join(Path(part).name for part in command)
            figures.append((f"fhirmod {named}", best * 1000, f"ms, wanted at most {WANTED_S * 1000:.0f}"))
    return figures


def _once(command: tuple[str, ...], folder: str) -> float:
    start = time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "fhirmod.cli", *command], cwd=folder, stdout=subprocess.DEVNULL, check=True, timeout=60
    )
    return time.perf_counter() - start
