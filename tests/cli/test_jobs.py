"""`fhirmod jobs`: what has failed for good is listed without data of patients, and revived by its number."""

import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from fhirmod.store import Access, JobRow, open_store

ALL = Access.whole("tests")
START = datetime(2026, 3, 1, tzinfo=UTC)
Run = Callable[..., tuple[int, list[str], str]]


@pytest.fixture
def run(url: str) -> Run:
    def run(*options: str) -> tuple[int, list[str], str]:
        command = [sys.executable, "-m", "fhirmod.cli", "jobs", "--db", url.removeprefix("sqlite:///"), *options]
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
        return done.returncode, done.stdout.splitlines(), done.stderr

    return run


def test_dead_jobs_are_listed_and_revived_one_by_one(url: str, run: Run) -> None:
    with open_store(url) as store:
        store.write(lambda w: w.put_jobs(ALL, [JobRow("overdue", key, START) for key in ("e1", "e2")]))
        assert run() == (0, ["No job has failed for good."], "")
        for number in range(16):
            at = START + timedelta(hours=number)
            job = store.write(lambda w: w.lease_job(ALL, ["overdue"], now=at, until=at, holder="w"))  # noqa: B023
            assert job is not None
            store.write(lambda w: w.fail_job(ALL, job, at, "not-found"))  # noqa: B023
        store.write(lambda w: w.put_jobs(ALL, [JobRow("overdue", "e3", START)]))
        dead = store.read(lambda r: r.jobs(ALL, "dead"))
        code, lines, _ = run()
        assert code == 0
        assert [line.split() for line in lines] == [
            [str(one.seq), "overdue", one.key, "8", "attempts", "not-found"] for one in dead
        ]
        assert run("--revive", str(dead[1].seq)) == (
            0,
            [f"Job {dead[1].seq} is due again; a running service will do it."],
            "",
        )
        assert store.read(lambda r: r.jobs(ALL, "dead")) == dead[:1]
        again = run("--revive", str(dead[1].seq))
        assert again == (1, [], f"There is no dead job {dead[1].seq}; `fhirmod jobs` lists those there are.\n")
