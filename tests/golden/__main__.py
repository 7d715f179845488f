"""Write the golden files of this version: ``python -m tests.golden``; what is there already is never written again."""

import gzip
import sqlite3
import sys
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from uuid import UUID

import msgspec

from fhirmod import __version__
from fhirmod.episode import Protocol
from fhirmod.exchange import case_bundle, demo_cases, partner_cases
from fhirmod.intake import Intake, Request
from fhirmod.r4 import dump
from fhirmod.store import Access, Reader, open_store
from fhirmod.stories import story

from .facts import facts

FOLDER = Path(__file__).parent
ACCESS = Access.whole("golden files")
NAMES = ("offline-queue", "transferred", "typed-afterwards")


def cases() -> list[tuple[dict[str, Any], list[dict[str, Any]]]]:
    """Return the cases that are kept: three examples, and a story with much dirt that was never controlled."""
    told = [(one.opening, one.entries) for one in demo_cases() if one.name in NAMES]
    spoilt = story(2026, dirt="much", course="not-controlled")
    return [*told, (spoilt.opening, spoilt.entries)]


def main() -> int:
    """Return the exit code: 1 if this version's files are there already."""
    folder = FOLDER / __version__
    if folder.exists():
        print(f"{folder} is there already, and what a release wrote is never written again; raise the version first.")
        return 1
    seconds, ids = count(), count(1)

    def request() -> Request:
        now = datetime(2026, 11, 1, tzinfo=UTC) + timedelta(seconds=next(seconds))
        return Request(ACCESS, now, lambda: str(UUID(int=next(ids) + (9 << 96) + (4 << 76) + (8 << 60))))

    with TemporaryDirectory() as place:
        db = Path(place) / "record.db"
        with open_store(f"sqlite:///{db}") as store:
            episodes = _recorded(Intake(store, Protocol.default()), request)
            bundles, said = _read(Intake(store, Protocol.default()), episodes)
        with sqlite3.connect(db) as connection:
            connection.execute("PRAGMA journal_mode=DELETE")
            connection.execute("VACUUM")
        folder.mkdir()
        lines = [dump(one) for opening, entries in cases() for one in ({"kind": "opening"} | opening, *entries)]
        (folder / "entries.jsonl").write_bytes(b"".join(line + b"\n" for line in lines))
        (folder / "bundles").mkdir()
        for name, bundle in bundles.items():
            (folder / "bundles" / f"{name}.json.gz").write_bytes(gzip.compress(bundle, mtime=0))
        (folder / "facts.json").write_bytes(msgspec.json.format(dump(said), indent=1) + b"\n")
        (folder / "record.db.gz").write_bytes(gzip.compress(db.read_bytes(), mtime=0))
    print(f"Written: {folder}; commit it, and leave it as it is.")
    return 0


def _recorded(intake: Intake, request: Any) -> list[str]:
    episodes = []
    for opening, entries in cases():
        episodes.append(intake.open(request(), opening)[0].row.id)
        for start in range(0, len(entries), 5):
            intake.append(request(), episodes[-1], entries[start : start + 5], distinct=True)
    for case in partner_cases():
        intake.transaction(request(), case.bundle)
        episodes.append(case.episode)
    return episodes


def _read(intake: Intake, episodes: list[str]) -> tuple[dict[str, bytes], dict[str, Any]]:
    said: dict[str, Any] = {}
    for name in episodes:
        read = intake.snapshot(ACCESS, name).episode
        instants = sorted(one.instant for one in read.standing() if one.instant is not None)
        moments = [instants[len(instants) // 2], instants[-1] + timedelta(hours=1)]
        said[name] = {moment.isoformat(): facts(read, moment.isoformat()) for moment in moments}
    return {name: intake.store.read(partial(_bundle, name)) for name in episodes}, said


def _bundle(name: str, reader: Reader) -> bytes:
    return case_bundle(reader, ACCESS, name, "https://golden.example.org/fhir", type="transaction")


if __name__ == "__main__":
    sys.exit(main())
