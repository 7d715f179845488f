"""`fhirmod serve --workers`: several processes behind one port and on one PostgreSQL; they start, serve and end together."""

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from os import kill, mkfifo
from pathlib import Path
from typing import Any

import psycopg
import pytest

from fhirmod.episode import Protocol
from fhirmod.intake import Intake, Request
from fhirmod.store import Access, open_store
from tests.intake.case import entry, new_id

from .service import Service, running

ALL = Access.whole("tests")
SECRET = "not-for-every-eye"
on_postgresql = pytest.mark.parametrize("backend", ["postgresql"], indirect=True)


def with_password(url: str) -> str:
    """Return an address with a password in it, which this server does not ask for."""
    return url.replace("keeper@", f"keeper:{SECRET}@")


def processes(service: Service) -> dict[int, str]:
    """Return the processes that a service has started, by number, with the words they were started with."""
    command = ["ps", "-axww", "-o", "pid=,ppid=,args="]
    lines = subprocess.run(command, capture_output=True, text=True, check=True).stdout.splitlines()
    told = [line.split(maxsplit=2) for line in lines]
    parent = str(service.process.pid)
    return {int(pid): words for pid, of, words in told if of == parent and "spawn_main" in words}


def is_there(pid: int) -> bool:
    with suppress(ProcessLookupError):
        kill(pid, 0)
        return True
    return False


def until(what: Callable[[], Any]) -> Any:
    for _ in range(2000):
        if found := what():
            return found
        time.sleep(0.02)
    raise TimeoutError("nothing happened within 40 s")


def opening(service: Service) -> str:
    return str(service.ask("/episodes", {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"})["episode"])


@on_postgresql
def test_twenty_writers_lose_nothing_and_either_worker_can_do_it_alone(url: str) -> None:
    each = 8
    with running(with_password(url), "--workers", "2") as service:
        episode = opening(service)

        def write(number: int) -> list[str]:
            done = []
            for turn in range(each):
                one = entry("blood-loss", f"03:{(number + turn) % 60:02}", volume_ml=10, method="drape")
                receipt = service.ask(f"/episodes/{episode}/entries?distinct=true", one)
                assert receipt["entries"][0]["status"] == "accepted"
                done.append(one["id"])
            return done

        with ThreadPoolExecutor(20) as pool:
            acknowledged = [name for done in pool.map(write, range(20)) for name in done]
        workers = processes(service)
        assert len(workers) == 2
        assert not any(SECRET in words for words in workers.values())
        for pid in workers:
            kill(pid, signal.SIGSTOP)
            for _ in range(4):
                assert service.ask(f"/episodes/{episode}")["version"] == 1 + 20 * each
            kill(pid, signal.SIGCONT)
        first = next(iter(workers))
        kill(first, signal.SIGKILL)
        until(lambda: len(now := processes(service)) == 2 and first not in now)  # it is replaced
        assert service.ask(f"/episodes/{episode}")["version"] == 1 + 20 * each
    with open_store(url) as store:
        intake = Intake(store, Protocol.default())
        there = {one.id for one in intake.snapshot(ALL, episode).episode.standing()}
        assert set(acknowledged) == there - {episode}
        assert len(acknowledged) == 20 * each
        assert intake.rebuild(Request(ALL, datetime(2026, 3, 2, tzinfo=UTC), new_id)) == 0


@on_postgresql
@pytest.mark.parametrize(
    ("sent", "code"), [(signal.SIGTERM, 0), (signal.SIGINT, 0), (signal.SIGKILL, -9)], ids=["TERM", "INT", "KILL"]
)
def test_when_the_first_process_ends_all_end_and_the_port_is_free(url: str, sent: signal.Signals, code: int) -> None:
    with running(url, "--workers", "2") as service:
        workers = until(lambda: len(found := processes(service)) == 2 and found)
        until(lambda: connections(url) >= 2)  # both have opened the record
        service.process.send_signal(sent)
        assert service.process.wait(20) == code
        until(lambda: not any(map(is_there, workers)))
        until(lambda: connections(url) == 0)
        with pytest.raises(ConnectionRefusedError):
            service.ask("/health")


@on_postgresql
def test_a_service_whose_workers_never_come_to_serve_ends_and_says_why(url: str, tmp_path: Path) -> None:
    """What the first process found well is gone when its workers look: here a site protocol that is a pipe, read once."""
    protocol = tmp_path / "site.toml"
    mkfifo(protocol)
    command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", "0", "--workers", "2", "--db", url]
    with subprocess.Popen([*command, "--protocol", str(protocol)], stderr=subprocess.PIPE, text=True) as process:
        protocol.write_text('id = "site"\nversion = "1"\nsource = "ours"\n')
        protocol.unlink()
        try:
            _, said = process.communicate(timeout=120)
        finally:
            process.kill()
    assert process.returncode == 1
    sentences = said.splitlines()
    assert "workers in a row failed at their start, so the service ends;" in sentences[-1]
    assert said.count("The site protocol") >= 4


@on_postgresql
def test_while_one_worker_serves_another_that_cannot_start_is_tried_again_until_it_can(
    url: str, tmp_path: Path
) -> None:
    protocol, said = tmp_path / "site.toml", 'id = "site"\nversion = "1"\nsource = "ours"\n'
    protocol.write_text(said)
    with running(url, "--workers", "2", "--protocol", str(protocol)) as service:
        until(lambda: connections(url) >= 2)
        protocol.unlink()
        first, serving = tried = list(processes(service))
        kill(first, signal.SIGKILL)

        def another() -> int:
            tried.extend(new := set(processes(service)) - set(tried))
            return len(new)

        for _ in range(6):  # more than the four starts after which a service that nobody serves ends
            until(another)
        assert service.process.poll() is None
        assert is_there(serving)
        assert service.ask("/health")
        protocol.write_text(said)
        until(lambda: connections(url) >= 2)
        service.process.send_signal(signal.SIGTERM)
        assert service.process.wait(20) == 0


def connections(url: str) -> int:
    """Return how many connections of ours the database has."""
    with psycopg.connect(url) as own:
        asked = (
            "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = 'fhirmod'"
        )
        row = own.execute(asked).fetchone()
        return 0 if row is None else int(row[0])


def test_several_workers_on_a_file_are_refused_in_one_sentence(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "fhirmod.cli", "serve", "--workers", "2", "--db", "ward.db"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (
        1,
        (
            "The service was asked for 2 workers on a SQLite file, which takes one write at a time; name --database "
            "postgresql://user@host/name, or leave --workers at 1.\n"
        ),
    )
    assert list(tmp_path.iterdir()) == []
