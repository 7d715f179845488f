"""Cost is counted, not timed: statements and log pages per write do not depend on the length of the episode."""

import threading
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from fhirmod.store import EntryRow, Put, Store, Writer, checkpoints

from .rows import ALL, NOW, lane_of, opened, put, write


def entry(number: int) -> list[Put]:
    """Return nine puts of one bedside entry: four of its own, five sums updated in place."""
    place = (("subject", "Patient", "p"), ("part-of", "Procedure", "a"))
    own = [
        put(f"n{number}.{part}", tokens=(("code", "urn:c", f"{part}"), ("status", "", "final")), references=place)
        for part in range(4)
    ]
    sums = [
        put(f"sum{part}", b"%d" % number, owner="derived", tokens=(("code", "urn:s", f"{part}"),), references=place)
        for part in range(5)
    ]
    return [each._replace(episode="e1", basis="ours") for each in own + sums]


def bedside(number: int) -> Any:
    def work(w: Writer) -> int:
        head = w.lock(ALL, "e1")
        w.entries(ALL, [f"n{number}"])
        version = w.bump(ALL, "e1")
        assert version == head.version + 1
        w.put(ALL, entry(number), NOW, version)
        w.log_entries(ALL, [EntryRow(f"n{number}", b"d", NOW, "e1")])
        return version

    return work


def test_statements_per_write_do_not_grow(store: Store) -> None:
    opened(store)
    counted = []
    for number in range(200):
        before = store.counters
        store.write(bedside(number))
        after = store.counters
        counted.append((after.statements - before.statements, after.commits - before.commits))
    assert set(counted[1:]) == {counted[1]}
    assert counted[1] == (15, 1)  # one of them asks for the search values as they were, one adds the new ones
    assert counted[0] <= counted[1]
    assert len(store.read(lambda r: r.members(ALL, "e1"))) == 200 * 9


def test_reading_what_is_newer_is_one_statement(store: Store) -> None:
    opened(store)
    for number in range(20):
        store.write(bedside(number))
    before = store.counters.read_statements
    assert len(store.read(lambda r: r.members(ALL, "e1", 19))) == 9
    assert store.counters.read_statements == before + 1


def test_an_index_that_stays_the_same_is_not_written_again(store: Store) -> None:
    same = put(tokens=(("code", "urn:c", "a"),), references=(("subject", "Patient", "p"),))
    write(store, same)
    before = store.counters.statements
    write(store, same)
    unchanged = store.counters.statements - before
    write(store, same._replace(tokens=(("code", "urn:c", "b"),)))
    assert store.counters.statements - before - unchanged == unchanged + 2  # one DELETE, one INSERT


def test_the_log_does_not_grow_without_end_while_commits_keep_coming(
    sqlite_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A passive checkpoint alone never catches up with a busy writer; the lane restarts the log."""
    monkeypatch.setattr(checkpoints, "LONG", 128)
    monkeypatch.setattr(checkpoints, "PAUSE_S", 0.001)
    body = b"x" * 2**16
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda n: write(sqlite_store, put(f"o{n}", body=body)), range(1000)))
    log = (tmp_path / "record.db-wal").stat().st_size
    assert log < 1000 * len(body) / 4


def test_a_slow_reader_does_not_stop_the_writer(sqlite_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """While it looks at the old log, restarting is tried for each doubling of the log, not for each commit."""
    monkeypatch.setattr(checkpoints, "LONG", 128)
    monkeypatch.setattr(checkpoints, "PAUSE_S", 0.001)
    tried: list[tuple[int, int]] = []
    restarted = lane_of(sqlite_store)._checkpoints.restarted

    def told(busy: int, pages: int) -> None:
        tried.append((busy, pages))
        restarted(busy, pages)

    monkeypatch.setattr(lane_of(sqlite_store)._checkpoints, "restarted", told)
    write(sqlite_store, put())
    entered, leave = threading.Event(), threading.Event()

    def slow(r: Any) -> tuple[Any, Any]:
        first = r.get(ALL, "Observation", "o1")
        entered.set()
        leave.wait()
        return first, r.get(ALL, "Observation", "o1")

    seen: list[Any] = []
    thread = threading.Thread(target=lambda: seen.extend(sqlite_store.read(slow)))
    thread.start()
    entered.wait()
    for _ in range(200):
        write(sqlite_store, put(body=b"y" * 2**16))
    long = [pages for busy, pages in tried if busy and pages >= 0]
    leave.set()
    thread.join()
    assert long
    assert all(later > 2 * earlier for earlier, later in pairwise(long)), long
    assert seen[0] == seen[1]
    assert seen[0].version == 1
