"""kill -9 of a writing process, fifty times: what was answered is there, and nothing is half there.

SIGKILL ends the process, not the machine: that an answered commit is past the disk's own cache is
synchronous=FULL's promise (https://sqlite.org/pragma.html#pragma_synchronous), not shown here.
"""

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from sqlalchemy import text

from fhirmod.store import Reader, Store, open_store

from .killed_writer import PARTS, body
from .rows import ALL, carrying, opened

KILLS = 50


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system has no fork and no SIGKILL")
def test_fifty_kills_lose_no_answer_and_leave_nothing_half_written(url: str) -> None:
    with open_store(url) as store:
        opened(store)
    chance = random.Random(20260301)
    answered: set[str] = set()
    root = Path(__file__).parents[2]
    with subprocess.Popen(
        [sys.executable, "-m", "tests.store.killed_writer", url],
        cwd=root,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as program:
        assert program.stdin
        assert program.stdout
        for life in range(KILLS):
            program.stdin.write(f"l{life}\n")
            program.stdin.flush()
            told: list[str] = []
            child = 0
            while not child or not told:  # it lives, and it writes
                word, what = program.stdout.readline().split()
                if word == "started":
                    child = int(what)
                else:
                    told.append(what)
            time.sleep(chance.uniform(0, 0.03))
            os.kill(child, signal.SIGKILL)
            for line in program.stdout:
                if line == "ended\n":
                    break
                told.append(line.split()[1])
            answered.update(told)
            if life % 10 == 9:
                with open_store(url) as store:
                    whole(store, answered)
        program.stdin.close()
    assert len(answered) >= KILLS  # each life wrote; how much more hangs on the machine


def whole(store: Store, answered: set[str]) -> None:
    """Assert that every answered write is there and every write that is there is complete."""

    def look(r: Reader) -> None:
        if r._dialect.name == "sqlite":
            assert r._connection.execute(text("PRAGMA integrity_check")).scalar() == "ok"
        logged = {row[0] for row in r._connection.execute(text("SELECT entry_id FROM entry_log"))}
        assert answered <= logged
        head = r.episode(ALL, "e1")
        assert head is not None
        assert head.version == len(logged)
        members = r.members(ALL, "e1")
        assert {(v.id, v.body) for v in members if v.id != "sum"} == {
            (f"{name}.{part}", body(name, part)) for name in logged for part in range(PARTS)
        }
        assert [v.version for v in members if v.id == "sum"] == list(range(1, len(logged) + 1))
        for name in list(answered)[:20]:
            found = r.search(ALL, "Observation", [carrying("entry", ("", name))], count=PARTS + 1)
            assert {v.id for v in found.versions} == {f"{name}.{part}" for part in range(PARTS)}

    store.read(look)
