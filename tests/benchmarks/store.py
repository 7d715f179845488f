"""Speed of the store's hot write against the same rows written by the plain sqlite3 module, durably, interleaved.

One write is what a bedside entry makes: nine resources (four new, five renewed), 23 index rows, the episode's
version and the entry log. "Alone" is one thread with one commit per write; "eight at a time" is eight threads
here, whose writes share commits, and eight writes per transaction there. The two take turns write by write,
since a disk's time to sync wanders by more than what is measured; TMPDIR in memory leaves the disk out.
"""

import gc
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from functools import partial
from pathlib import Path

from fhirmod.store import Access, EntryRow, EpisodeRow, Put, Store, Writer, microseconds, open_store

ROUNDS = 7
WRITES = 160
ALL = Access.whole("benchmark")
NOW = "2026-03-01T10:00:00.000Z"
WHEN = microseconds(datetime.fromisoformat(NOW))
BODY = b'{"resourceType":"Observation","text":"' + b"x" * 1500 + b'"}'
SUBJECT = ("subject", "Patient", "6f1c4c0e-0000-4000-8000-000000000001")
ANCHOR = ("part-of", "Procedure", "6f1c4c0e-0000-4000-8000-000000000002.course")

NEW, RENEWED = 4, 5


def puts(name: str, episode: str) -> list[Put]:
    """Return nine puts: four resources of the entry itself, five computed ones renewed in place."""
    new = [
        Put(
            "Observation",
            f"{name}.part{part}",
            "asserted",
            "POST",
            BODY,
            (
                ("code", "http://loinc.org", f"{part}"),
                ("status", "http://hl7.org/fhir/observation-status", "final"),
                ("identifier", "https://example.org/entry", f"{name}.{part}"),
            ),
            (SUBJECT, ANCHOR) if part else (SUBJECT,),
            episode,
            "ours",
        )
        for part in range(NEW)
    ]
    renewed = [
        Put(
            "Observation",
            f"{episode}.sum{part}",
            "derived",
            "PUT",
            BODY,
            (("code", "http://loinc.org", f"s{part}"),),
            (SUBJECT,),
            episode,
            "ours",
        )
        for part in range(RENEWED)
    ]
    return new + renewed


def ours(store: Store, name: str, episode: str) -> None:
    """Return once one bedside entry is durable."""
    ready = puts(name, episode)

    def work(w: Writer) -> None:
        w.lock(ALL, episode)
        w.entries(ALL, [name])
        version = w.bump(ALL, episode)
        w.put(ALL, ready, NOW, version)
        w.log_entries(ALL, [EntryRow(name, b"0123456789abcdef", NOW, episode)])

    store.write(work)


class Plain:
    """The same rows by hand: constants for SQL, numbers known beforehand, nothing looked up."""

    def __init__(self, path: Path, episode: str) -> None:
        self._raw = sqlite3.connect(path, isolation_level=None)
        for pragma in ("journal_mode=WAL", "synchronous=FULL", "wal_autocheckpoint=0"):
            self._raw.execute(f"PRAGMA {pragma}")
        self._episode = episode
        self._rid = self._raw.execute("SELECT max(rid) FROM resource").fetchone()[0]
        self._sums = [
            row[0]
            for row in self._raw.execute("SELECT rid FROM resource WHERE id LIKE ? ORDER BY rid", (f"{episode}.sum%",))
        ]
        self._turn = self._raw.execute("SELECT version FROM episode WHERE id = ?", (episode,)).fetchone()[0]

    def write(self, names: list[str]) -> None:
        """Return once these bedside entries are durable, in one transaction."""
        self._raw.execute("BEGIN IMMEDIATE")
        for name in names:
            self._one(name)
        self._raw.execute("COMMIT")

    def checkpoint(self) -> None:
        """Return nothing; the log is moved into the file (never inside a timing)."""
        self._raw.execute("PRAGMA wal_checkpoint(RESTART)").fetchall()

    def close(self) -> None:
        """Return nothing; the connection is closed."""
        self._raw.close()

    def _one(self, name: str) -> None:
        many, episode = self._raw.executemany, self._episode
        self._turn += 1
        ready = puts(name, episode)
        rids = [self._rid + n for n in range(1, NEW + 1)] + self._sums
        self._rid += NEW
        numbers = [1] * NEW + [self._turn] * RENEWED
        many(
            "INSERT INTO resource (rid, type, id, version, deleted, updated) VALUES (?, ?, ?, ?, ?, ?)",
            [(rid, p.type, p.id, 1, 0, WHEN) for rid, p in zip(rids[:NEW], ready, strict=False)],
        )
        many(
            "UPDATE resource SET version = ?, deleted = 0, updated = ? WHERE rid = ?",
            [(self._turn, WHEN, rid) for rid in self._sums],
        )
        many(
            "INSERT INTO version (rid, version, updated, owner, method, body, episode_id, episode_version)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (rid, number, NOW, p.owner, p.method, p.body, episode, self._turn)
                for rid, number, p in zip(rids, numbers, ready, strict=True)
            ],
        )
        new = list(zip(rids[:NEW], ready, strict=False))
        many(
            "INSERT INTO token (rid, param, value, system, type) VALUES (?, ?, ?, ?, ?)",
            [(rid, param, value, system, p.type) for rid, p in new for param, system, value in p.tokens],
        )
        many(
            "INSERT INTO reference (rid, param, target_type, target_id, type) VALUES (?, ?, ?, ?, ?)",
            [(rid, *reference, p.type) for rid, p in new for reference in p.references],
        )
        many("INSERT INTO member (rid, episode_id, basis) VALUES (?, ?, 'ours')", [(rid, episode) for rid, _ in new])
        self._raw.execute("UPDATE episode SET version = ? WHERE id = ?", (self._turn, episode))
        self._raw.execute("INSERT INTO entry_log VALUES (?, ?, ?, ?)", (name, b"0123456789abcdef", NOW, episode))


def run() -> list[tuple[str, float, str]]:
    """Return (what, figure, unit): microseconds per write, and each as a ratio to plain sqlite3."""
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder) / name for name in ("ours.db", "plain.db")]
        for file in files:
            with open_store(f"sqlite:///{file}") as made:
                made.write(lambda w: w.create_episode(ALL, EpisodeRow("e1", 0, "Procedure", "a", NOW, "ward")))
                ours(made, "first", "e1")
        plain = Plain(files[1], "e1")
        with open_store(f"sqlite:///{files[0]}") as store, ThreadPoolExecutor(8) as pool:
            gc.collect()
            gc.freeze()
            figures = _measure(store, pool, plain)
            gc.unfreeze()
        plain.close()
    return figures


def _measure(store: Store, pool: ThreadPoolExecutor, plain: Plain) -> list[tuple[str, float, str]]:
    spent: dict[str, list[float]] = {}
    batches: list[float] = []
    for turn in range(ROUNDS):
        for n in range(WRITES // 8):
            _time(spent, "plain, alone", 1, partial(plain.write, [f"{turn}.{n}"]))
            _time(spent, "store, alone", 1, partial(ours, store, f"{turn}.{n}", "e1"))
        plain.checkpoint()
        for n in range(WRITES // 8):
            names = [f"{turn}.8.{n}.{one}" for one in range(8)]
            _time(spent, "plain, eight at a time", 8, partial(plain.write, names))
            before = store.counters.commits
            _time(spent, "store, eight at a time", 8, partial(_together, store, pool, names))
            batches.append(8 / (store.counters.commits - before))
        plain.checkpoint()
    middle = {what: statistics.median(times) for what, times in spent.items()}
    figures = [(f"one bedside write, {what}", middle[what], "us") for what in middle]
    figures.extend(
        (f"store over plain sqlite3, {how}", middle[f"store, {how}"] / middle[f"plain, {how}"], "x")
        for how in ("alone", "eight at a time")
    )
    figures.append(("writes per commit, eight threads", statistics.mean(batches), "writes"))
    return figures


def _together(store: Store, pool: ThreadPoolExecutor, names: list[str]) -> None:
    list(pool.map(partial(ours, store, episode="e1"), names))


def _time(spent: dict[str, list[float]], what: str, writes: int, run_all: Callable[[], object]) -> None:
    start = time.perf_counter()
    run_all()
    spent.setdefault(what, []).append((time.perf_counter() - start) / writes * 1e6)


if __name__ == "__main__":
    for what, figure, unit in run():
        print(f"{what:50} {figure:10.2f} {unit}")
