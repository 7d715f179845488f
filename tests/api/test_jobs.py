"""The thread that works off the jobs: it comes when one is due, outlives what goes wrong, and ends with its block."""

import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

from api import Settings, jobs
from api.clock import Clock
from api.jobs import Runner, handlers
from fhirmod.episode import Protocol
from fhirmod.errors import UnavailableError
from fhirmod.intake import Handler, Intake, Request
from fhirmod.store import Access, Job, JobRow, Store, Writer, open_store
from fhirmod.store.migrate import PLACE, to_head
from tests.intake.case import new_id

ALL = Access.whole("tests")
START = datetime(2026, 3, 1, tzinfo=UTC)


class Hands:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.at = START

    def clock(self) -> Clock:
        return Clock(lambda: self.at, new_id)


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as opened:
        yield opened


def nothing(_: Writer) -> None:
    """Write nothing, and not be done again."""


def until(what: Callable[[], Any]) -> None:
    for _ in range(500):
        if what():
            return
        time.sleep(0.01)
    raise TimeoutError("nothing happened within 5 s")


def running(store: Store, hands: Hands, handler: Handler, monkeypatch: pytest.MonkeyPatch, every_s: float) -> Runner:
    monkeypatch.setattr(jobs, "handlers", lambda _: {"look": handler})
    intake = Intake(store, Protocol.default())
    return Runner(Settings(look_for_jobs_s=every_s), intake, hands.clock())


def to_do(store: Store, *keys: str, at: datetime = START) -> None:
    store.write(lambda w: w.put_jobs(ALL, [JobRow("look", key, at) for key in keys]))


def test_what_is_due_is_done_in_turn_and_what_is_not_waits(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    hands, done = Hands(), list[str]()

    def handle(job: Job, request: Request) -> Callable[[Writer], datetime | None]:
        done.append(job.key)
        return nothing

    to_do(store, "a", "b")
    to_do(store, "later", at=START + timedelta(hours=1))
    with running(store, hands, handle, monkeypatch, 0.01):
        until(lambda: len(done) == 2)
        time.sleep(0.1)
        assert done == ["a", "b"]
        hands.at += timedelta(hours=1)
        until(lambda: len(done) == 3)
    assert store.read(lambda r: r.jobs(ALL)) == []
    assert not any(thread.name == "jobs" for thread in threading.enumerate())


def test_leaving_the_block_waits_for_the_job_that_is_being_done(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()

    def handle(job: Job, request: Request) -> Callable[[Writer], datetime | None]:
        begun.set()
        go_on.wait(5)
        return nothing

    to_do(store, "a", "b")
    with running(store, Hands(), handle, monkeypatch, 0.01):
        begun.wait(5)
        threading.Timer(0.1, go_on.set).start()
    [left] = store.read(lambda r: r.jobs(ALL))
    assert (left.key, left.holder) == ("b", None)  # not begun any more, and nobody's


def test_a_database_that_is_away_for_a_while_does_not_end_the_thread(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    away, done = [3], list[str]()

    def handle(job: Job, request: Request) -> Callable[[Writer], datetime | None]:
        done.append(job.key)
        return nothing

    read = store.read

    def failing(work: Any) -> Any:
        if away[0]:
            away[0] -= 1
            raise UnavailableError("The database does not answer.") if away[0] else OSError("gone")
        return read(work)

    monkeypatch.setattr(store, "read", failing)
    to_do(store, "a")
    with running(store, Hands(), handle, monkeypatch, 0.01):
        until(lambda: done)
    assert caplog.text.count("it is tried again") == 3


def test_what_the_tables_put_for_an_older_record_has_a_handler(store: Store, url: str) -> None:
    engine = create_engine(url)
    with engine.begin() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(PLACE))
        command.downgrade(config, "0003")
        connection.exec_driver_sql(
            "INSERT INTO episode VALUES (1, 'e1', 3, 'Procedure', 'a1', '2026-03-01T02:00:00Z', 'c', 'open', false, '', '', '', '')"
        )
    to_head(engine)
    engine.dispose()
    put = {job.kind for job in store.read(lambda r: r.jobs(ALL))}
    assert put == handlers(Intake(store, Protocol.default())).keys()
