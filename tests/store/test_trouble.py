"""When the disk is full, another program holds the file, or nobody closes: answers are right and work goes on."""

import sqlite3
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest
from sqlalchemy.exc import OperationalError

from fhirmod.store import Store, checkpoints, open_store

from .rows import ALL, lane_of, opened, put, write

ROOT = Path(__file__).parents[2]


def script(url: str, body: str) -> str:
    """Return what a program prints that begins with the store opened on `url`."""
    start = f"from tests.store.rows import *\nfrom fhirmod.store import *\nstore = open_store({url!r})\n"
    done = subprocess.run(
        [sys.executable, "-c", start + textwrap.dedent(body)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_a_full_disk_fails_the_write_that_met_it_and_no_other(sqlite_store: Store, tmp_path: Path) -> None:
    """SQLITE_FULL, forced by PRAGMA max_page_count (https://sqlite.org/pragma.html#pragma_max_page_count)."""
    write(sqlite_store, put("o1", body=b"kept"))
    cursor = lane_of(sqlite_store)._connection.connection.cursor()
    pages = cursor.execute("PRAGMA page_count").fetchone()[0]
    cursor.execute(f"PRAGMA max_page_count={pages + 20}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        write(sqlite_store, put("o2", body=b"x" * 2**20))
    assert write(sqlite_store, put("o3", body=b"small")) == [1]
    cursor.execute("PRAGMA max_page_count=1073741823")
    assert write(sqlite_store, put("o2", body=b"x" * 2**20)) == [1]
    assert [each.id for each in sqlite_store.read(lambda r: r.search(ALL, "Observation", count=9)).versions] == [
        "o1",
        "o3",
        "o2",
    ]
    raw = sqlite3.connect(tmp_path / "record.db")
    assert raw.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    raw.close()


def test_a_program_that_holds_the_file_too_long_fails_each_waiting_write_once(
    sqlite_store: Store, tmp_path: Path
) -> None:
    lane_of(sqlite_store)._connection.connection.cursor().execute("PRAGMA busy_timeout=50")
    other = sqlite3.connect(tmp_path / "record.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")

    def attempt(number: int) -> str:
        with pytest.raises(OperationalError) as caught:
            write(sqlite_store, put(f"o{number}"))
        return str(caught.value.orig)

    with ThreadPoolExecutor(6) as pool:
        assert set(pool.map(attempt, range(6))) == {"database is locked"}
    assert sqlite_store.counters.replays == 0
    assert sqlite_store.read(lambda r: r.search(ALL, "Observation", count=0)).total == 0
    other.execute("ROLLBACK")
    other.close()
    assert write(sqlite_store, put("o1")) == [1]


def test_a_log_that_cannot_be_moved_or_restarted_stops_nobody(
    sqlite_store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(checkpoints, "LONG", 0)
    monkeypatch.setattr(checkpoints, "PAUSE_S", 0.001)
    restart, move = lane_of(sqlite_store)._restart_log, lane_of(sqlite_store)._checkpoints._move
    broken = {"restart": 1, "move": 1}

    def failing(what: str, otherwise: Callable[..., None], *given: object) -> None:
        otherwise(*given)
        if broken[what]:
            broken[what] -= 1
            raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(lane_of(sqlite_store), "_restart_log", partial(failing, "restart", restart))
    monkeypatch.setattr(lane_of(sqlite_store)._checkpoints, "_move", partial(failing, "move", move))
    turn = 0
    while any(broken.values()):
        turn += 1
        assert write(sqlite_store, put()) == [turn]
        time.sleep(0.005)
    assert write(sqlite_store, put()) == [turn + 1]
    assert lane_of(sqlite_store)._checkpoints._thread.is_alive()
    assert sorted(record.message for record in caplog.records) == [
        "The store's log could not be moved into its file: disk I/O error; it is tried again.",
        "The store's log could not be restarted: disk I/O error; it is tried again.",
    ]


def test_a_program_that_never_closes_ends_and_loses_nothing(url: str) -> None:
    assert script(url, "print(write(store, put('o1', body=b'kept')))") == "[1]\n"
    with open_store(url) as store:
        found = store.read(lambda r: r.get(ALL, "Observation", "o1"))
        assert found is not None
        assert found.body == b"kept"


def test_programs_that_write_at_once_count_on(url: str) -> None:
    with open_store(url) as store:
        opened(store)
    body = """
        with store:
            print(*[write_in(store, "e1", put(f"sum")) for _ in range(25)])
    """
    with ThreadPoolExecutor(3) as pool:
        printed = list(pool.map(lambda _: script(url, body), range(3)))
    assert sorted(int(word) for line in printed for word in line.split()) == list(range(1, 76))
    with open_store(url) as store:
        versions = [v.version for v in store.read(lambda r: r.members(ALL, "e1"))]
        assert versions == list(range(1, 76))
