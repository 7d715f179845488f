"""Jobs: never two holders of one, a lease that ends is another's, pauses that grow, dead letters that are revived."""

import threading
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

from fhirmod.errors import ForbiddenError
from fhirmod.store import LEASE_ENDED, Access, Job, JobRow, LeaseLostError, OutboxRow, Store, open_store
from fhirmod.store.migrate import PLACE

from .rows import ALL, NOW, opened, put, write

START = datetime(2026, 3, 1, 10, tzinfo=UTC)
S = timedelta(seconds=1)
_names = count()


def after(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def to_do(store: Store, *keys: str, at: float = 0, kind: str = "look", payload: bytes = b"") -> None:
    store.write(lambda w: w.put_jobs(ALL, [JobRow(kind, key, after(at), payload) for key in keys]))


def lease(store: Store, at: float, lasts: float = 60, *kinds: str) -> Job | None:
    holder = f"w{next(_names)}"
    return store.write(
        lambda w: w.lease_job(ALL, kinds or ("look",), now=after(at), until=after(at + lasts), holder=holder)
    )


def leased(store: Store, at: float, lasts: float = 60) -> Job:
    found = lease(store, at, lasts)
    assert found is not None
    return found


def end(store: Store, job: Job, again: float | None = None) -> None:
    store.write(lambda w: w.end_job(ALL, job, None if again is None else after(again)))


def fail(store: Store, job: Job, at: float, error: str = "unavailable") -> None:
    store.write(lambda w: w.fail_job(ALL, job, after(at), error))


def all_jobs(store: Store) -> list[Job]:
    return store.read(lambda r: r.jobs(ALL))


def next_at(store: Store, *kinds: str) -> float | None:
    found = store.read(lambda r: r.next_job_at(ALL, kinds or ("look",)))
    return None if found is None else (found - START).total_seconds()


def test_a_job_is_taken_when_it_is_due_by_kind_the_longest_due_first_and_leaves_no_row(store: Store) -> None:
    to_do(store, "b", at=2)
    to_do(store, "a", at=1, payload=b"\x00x")
    to_do(store, "c", at=0, kind="push")
    assert next_at(store) == 1
    assert lease(store, 0.999) is None
    first, second = leased(store, 3), leased(store, 3)
    assert (first.key, first.payload, first.attempts, first.due_at) == ("a", b"\x00x", 1, after(63))
    assert second.key == "b"
    assert lease(store, 3) is None
    assert next_at(store) == 63  # when the first lease ends
    end(store, first)
    end(store, second)
    [left] = all_jobs(store)
    assert (left.kind, left.key) == ("push", "c")
    other = lease(store, 3, 60, "look", "push", "more")
    assert other is not None
    assert (other.key, next_at(store)) == ("c", None)


def test_putting_what_waits_again_changes_nothing_or_brings_it_forward(store: Store) -> None:
    to_do(store, "a", at=10, payload=b"first")
    [before] = all_jobs(store)
    to_do(store, "a", at=10, payload=b"second")
    to_do(store, "a", at=11)
    assert all_jobs(store) == [before]
    to_do(store, "a", at=4)
    assert all_jobs(store) == [before._replace(due_at=after(4))]


def test_what_is_put_again_while_it_is_done_is_done_again(store: Store) -> None:
    to_do(store, "a")
    job = leased(store, 0)
    to_do(store, "a", at=30)
    to_do(store, "a", at=20)
    to_do(store, "a", at=25)
    assert lease(store, 40) is None  # it has a holder until 60
    end(store, job)
    assert lease(store, 19.9) is None
    job = leased(store, 20)
    assert (job.attempts, job.again_at) == (1, None)
    to_do(store, "a", at=50)
    end(store, job, again=45)
    job = leased(store, 45)
    to_do(store, "a", at=50)
    end(store, job, again=70)
    assert next_at(store) == 50


def test_an_ended_lease_is_taken_over_and_the_late_holder_can_do_nothing(store: Store) -> None:
    to_do(store, "a")
    late = leased(store, 0, lasts=10)
    assert lease(store, 9.999) is None
    job = leased(store, 10, lasts=10)
    assert (job.key, job.attempts, job.error) == ("a", 2, LEASE_ENDED)

    def work_and_end(w):  # type: ignore[no-untyped-def]
        w.outbox(ALL, [OutboxRow("t", "s", b"", NOW)])
        w.end_job(ALL, late)

    before = all_jobs(store)
    for attempt in (
        work_and_end,
        lambda w: w.end_job(ALL, late, after(99)),
        lambda w: w.fail_job(ALL, late, after(11), "x"),
        lambda w: w.renew_job(ALL, late, after(99)),
    ):
        with pytest.raises(LeaseLostError):
            store.write(attempt)
    assert all_jobs(store) == before
    assert store.read(lambda r: r.outgoing(ALL)) == []
    end(store, job)
    assert all_jobs(store) == []
    with pytest.raises(LeaseLostError):
        end(store, job)


def test_a_lease_that_is_renewed_is_not_taken_over(store: Store) -> None:
    to_do(store, "a")
    job = leased(store, 0, lasts=10)
    store.write(lambda w: w.renew_job(ALL, job, after(30)))
    assert lease(store, 29.9) is None
    assert leased(store, 30).attempts == 2


def test_each_failure_doubles_the_pause_up_to_a_quarter_of_an_hour_and_the_eighth_is_the_last(store: Store) -> None:
    """30 s doubled at each step and cut at 900 s: 30 * 2 ** (n - 1)."""
    to_do(store, "a")
    now, pauses = 0.0, []
    for attempt in range(1, 9):
        job = leased(store, now)
        assert job.attempts == attempt
        fail(store, job, now + 1, "unavailable")
        to_do(store, "a", at=now)  # who puts it again does not shorten the pause
        following = next_at(store)
        if following is None:
            break
        pauses.append(following - now - 1)
        assert lease(store, following - 0.001) is None
        now = following
    assert pauses == [30, 60, 120, 240, 480, 900, 900]
    [dead] = store.read(lambda r: r.jobs(ALL, "dead"))
    assert (dead.key, dead.attempts, dead.error, dead.holder) == ("a", 8, "unavailable", None)
    assert lease(store, 1e6) is None
    to_do(store, "a")
    assert store.read(lambda r: r.jobs(ALL, "dead")) == [dead]


def test_a_worker_that_is_killed_by_a_job_again_and_again_does_not_try_for_ever(
    store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    to_do(store, "deadly")
    to_do(store, "next", at=80)
    for attempt in range(8):
        assert leased(store, attempt * 10, lasts=10).key == "deadly"
    assert leased(store, 80).key == "next"
    [dead] = store.read(lambda r: r.jobs(ALL, "dead"))
    assert (dead.key, dead.attempts, dead.error, dead.holder) == ("deadly", 8, LEASE_ENDED, None)
    assert (
        f"of deadly) is given up: nothing of it is done or told until `fhirmod jobs --revive {dead.seq}`" in caplog.text
    )


def test_what_went_well_once_has_all_its_attempts_again(store: Store) -> None:
    to_do(store, "a")
    fail(store, leased(store, 0), 0)
    end(store, leased(store, 30), again=100)
    [job] = all_jobs(store)
    assert (job.attempts, job.error, job.due_at, job.holder) == (0, None, after(100), None)


def test_a_dead_job_is_revived_by_its_number_and_no_other_is(store: Store) -> None:
    to_do(store, "a", "b")
    for attempt in range(8):
        lease(store, attempt * 10, 10)
        lease(store, attempt * 10, 10)
    to_do(store, "c", at=200)
    assert lease(store, 90) is None
    dead = store.read(lambda r: r.jobs(ALL, "dead"))
    assert [one.key for one in dead] == ["a", "b"]
    assert [one.key for one in store.read(lambda r: r.jobs(ALL, "dead", after=dead[0].seq))] == ["b"]
    waiting = next(one.seq for one in store.read(lambda r: r.jobs(ALL, "waiting")))
    revived = [store.write(lambda w, n=n: w.revive_job(ALL, n, after(90))) for n in (dead[1].seq, waiting, 999)]  # type: ignore[misc]
    assert revived == [True, False, False]
    job = leased(store, 90)
    assert (job.key, job.attempts, job.error) == ("b", 1, None)


def test_two_that_lease_at_once_never_hold_the_same_job(url: str) -> None:
    """Two stores, as two processes have them, and four threads on each; every lease ends before the next round."""
    keys = {f"k{number}" for number in range(60)}
    with open_store(url) as one, open_store(url) as other:
        to_do(one, *keys)
        start = threading.Barrier(8)

        def take_all(thread: int) -> list[str]:
            start.wait()
            taken = []
            while (job := lease((one, other)[thread % 2], 1)) is not None:
                taken.append(job.key)
                if len(taken) % 2:
                    end((one, other)[thread % 2], job)
            return taken

        with ThreadPoolExecutor(8) as pool:
            taken = Counter(key for part in pool.map(take_all, range(8)) for key in part)
        assert taken == dict.fromkeys(keys, 1)


def test_many_that_put_one_key_at_once_leave_one_job_at_the_earliest_time(store: Store) -> None:
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda at: to_do(store, "a", at=at), range(40, 0, -1)))
    assert [(job.key, job.due_at) for job in all_jobs(store)] == [("a", after(1))]


def test_what_is_told_once_is_never_told_again_even_after_it_was_sent(store: Store) -> None:
    row = OutboxRow("overdue", "e1", b"{}", NOW)
    tell = [store.write(lambda w: w.tell_once(ALL, "k1", row)) for _ in range(2)]
    assert tell == [True, False]
    [(number, told)] = store.read(lambda r: r.outgoing(ALL))
    assert told == row
    store.write(lambda w: w.sent(ALL, [number]))
    assert store.write(lambda w: w.tell_once(ALL, "k1", row)) is False
    assert store.read(lambda r: r.outgoing(ALL)) == []
    with ThreadPoolExecutor(8) as pool:
        said = list(pool.map(lambda _: store.write(lambda w: w.tell_once(ALL, "k2", row)), range(16)))
    assert sorted(said) == [False] * 15 + [True]
    assert len(store.read(lambda r: r.outgoing(ALL))) == 1


def test_who_may_only_read_takes_no_job(store: Store) -> None:
    reader = Access("reader", frozenset({"read"}))
    with pytest.raises(ForbiddenError):
        store.write(lambda w: w.lease_job(reader, ["look"], now=START, until=after(1), holder="w"))
    with pytest.raises(ForbiddenError):
        store.write(lambda w: w.put_jobs(reader, [JobRow("look", "a", START)]))


def test_the_revision_of_the_jobs_goes_down_and_up_and_keeps_the_rest(url: str) -> None:
    """Up again, each open episode is to be looked at once: what it has due may have been put while there was no table."""
    with open_store(url) as store:
        opened(store, "e1")
        opened(store, "e2", status="closed")
        write(store, put(body=b"kept"))
        to_do(store, "gone")
    engine = create_engine(url)
    with engine.begin() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(PLACE))
        command.downgrade(config, "0003")
        names = {row[0] for row in connection.exec_driver_sql(_TABLES[engine.dialect.name])}
        assert {"job", "told"} & names == set()
        assert {"resource", "outbox", "search_value"} <= names
    engine.dispose()
    with open_store(url) as store:
        found = store.read(lambda r: r.get(ALL, "Observation", "o1"))
        assert found is not None
        assert found.body == b"kept"
        [job] = all_jobs(store)
        assert (job.kind, job.key, job.payload, job.attempts, job.state) == ("overdue", "e1", b"", 0, "waiting")
        assert job.due_at < START


_TABLES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table'",
    "postgresql": "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'",
}
