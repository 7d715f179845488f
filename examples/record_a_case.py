"""Record a case in a file, entry by entry, and read the seven lines: ``python examples/record_a_case.py [FILE]``.

What a program does that has no service in between: a store, an intake, a request for each write. The entries are those
of `cases/never-controlled`; the last one is refused and held, because a volume below zero cannot be.
"""

import sys
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from uuid import uuid4

from fhirmod.cli.showing import seven_lines
from fhirmod.episode import Protocol
from fhirmod.intake import Intake, Request
from fhirmod.r4 import parse
from fhirmod.store import Access, open_store
from fhirmod.validation import assessed

CASE = Path(__file__).parent / "cases" / "never-controlled" / "entries.json"
ACCESS = Access.whole("example")


def request(at: str) -> Request:
    """Return a request received at this time; a service takes it from its clock."""
    return Request(ACCESS, datetime.fromisoformat(at), lambda: str(uuid4()))


def main(file: Path) -> None:
    told = parse(CASE.read_bytes())
    with open_store(f"sqlite:///{file}") as store:
        intake = Intake(store, Protocol.default())
        snapshot, _ = intake.open(request(told["opening"]["at"]), told["opening"])
        episode = snapshot.row.id
        for entry in told["entries"]:
            intake.append(request(entry["recorded_at"]), episode, [entry])
        wrong = {"kind": "fill", "id": str(uuid4()), "at": "2026-04-11T15:02:00+03:00", "volume_ml": -50}
        [result] = intake.append(request("2026-04-11T15:03:00+03:00"), episode, [wrong]).entries
        print(result.status, *(finding.sentence for finding in result.findings))
        at = datetime.fromisoformat("2026-04-11T15:05:00+03:00")
        shown = assessed(intake.snapshot(ACCESS, episode).episode, as_of=at, protocol=intake.protocol)
        for line in seven_lines(shown):
            print(line)


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with TemporaryDirectory() as folder:
            main(Path(folder) / "case.db")
