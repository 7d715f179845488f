"""Many threads, one writer: shared commits, spoilt batches, races, reading meanwhile, closing."""

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from fhirmod.errors import ConflictError, PreconditionFailedError
from fhirmod.store import EntryRow, Put, Store, Writer, open_store

from .rows import ALL, NOW, lane_of, opened, put, write, write_in

THREADS = 20


def held_back(store: Store, works: list[Callable[[Writer], Any]]) -> list[Any]:
    """Return what each work gave (or raised) when all of them waited while the lane was busy: one batch."""
    gate, busy = threading.Event(), threading.Event()

    def block(_: Writer) -> None:
        busy.set()
        gate.wait()

    def answer(work: Callable[[Writer], Any]) -> Any:
        try:
            return store.write(work)
        except Exception as error:  # noqa: BLE001 - it is the answer
            return error

    with ThreadPoolExecutor(len(works) + 1) as pool:
        first = pool.submit(store.write, block)
        busy.wait()
        answers = []
        for number, work in enumerate(works, start=1):  # one after the other, so the order is known
            answers.append(pool.submit(answer, work))
            while lane_of(store)._queue.qsize() < number:
                time.sleep(0)
        gate.set()
        first.result()
        return [each.result() for each in answers]


def putting(*puts: Put) -> Callable[[Writer], list[int]]:
    return lambda w: w.put(ALL, puts, NOW)


def test_works_that_wait_together_share_one_commit(sqlite_store: Store) -> None:
    before = sqlite_store.counters
    answers = held_back(sqlite_store, [putting(put(f"o{n}")) for n in range(THREADS)])
    assert answers == [[1]] * THREADS
    after = sqlite_store.counters
    assert (after.commits - before.commits, after.batches - before.batches) == (2, 2)
    assert after.replays == 0
    assert sqlite_store.read(lambda r: r.search(ALL, "Observation", count=0)).total == THREADS


def test_twenty_writers_on_one_episode_lose_nothing(store: Store) -> None:
    opened(store)
    each = 15

    def writer(number: int) -> list[int]:
        return [write_in(store, "e1", put(f"o{number}-{turn}"), put("sum")) for turn in range(each)]

    with ThreadPoolExecutor(THREADS) as pool:
        versions = sorted(version for got in pool.map(writer, range(THREADS)) for version in got)
    assert versions == list(range(1, THREADS * each + 1))
    members = store.read(lambda r: r.members(ALL, "e1"))
    assert len(members) == 2 * THREADS * each
    assert [v.version for v in members if v.id == "sum"] == versions
    assert store.counters.commits <= 2 + THREADS * each


def poison(error: Exception) -> Callable[[Writer], None]:
    def work(w: Writer) -> None:
        w.put(ALL, [put("poison")], NOW)
        raise error

    return work


@pytest.mark.parametrize("error", [ValueError("bad work"), ConflictError("refused after writing")])
def test_a_work_that_fails_spoils_nobody_elses(sqlite_store: Store, error: Exception) -> None:
    works: list[Callable[[Writer], Any]] = [putting(put(f"o{n}"), put("all")) for n in range(6)]
    works.insert(3, poison(error))
    answers = held_back(sqlite_store, works)
    assert answers[3] is error
    assert [a for n, a in enumerate(answers) if n != 3] == [[1, n + 1] for n in range(6)]
    assert sqlite_store.counters.replays == 1
    assert sqlite_store.read(lambda r: r.get(ALL, "Observation", "poison")) is None
    assert [v.version for v in sqlite_store.read(lambda r: r.history(ALL, "Observation", "all"))] == [6, 5, 4, 3, 2, 1]


def test_a_refusal_before_writing_does_not_take_the_batch_apart(sqlite_store: Store) -> None:
    def refuse(w: Writer) -> None:
        w.get(ALL, "Observation", "o0")
        raise PreconditionFailedError("The version was 1; send the current one.")

    before = sqlite_store.counters
    answers = held_back(
        sqlite_store, [lambda w: w.put(ALL, [put("o0")], NOW), refuse, lambda w: w.put(ALL, [put("o1")], NOW)]
    )
    assert (answers[0], answers[2]) == ([1], [1])
    assert isinstance(answers[1], PreconditionFailedError)
    assert sqlite_store.counters.replays == 0
    assert sqlite_store.counters.commits - before.commits == 2


def test_a_refusal_that_saw_a_spoilt_work_is_judged_again(sqlite_store: Store) -> None:
    """The entry it met was rolled back; alone, it is accepted."""
    row = EntryRow("n1", b"d", NOW, "e1")

    def spoilt(w: Writer) -> None:
        w.log_entries(ALL, [row])
        raise ValueError("after writing")

    def once(w: Writer) -> str:
        if w.entry(ALL, "n1") is not None:
            raise ConflictError("Entry 'n1' was accepted before; send a new one.")
        w.log_entries(ALL, [row])
        return "accepted"

    answers = held_back(sqlite_store, [spoilt, once])
    assert isinstance(answers[0], ValueError)
    assert answers[1] == "accepted"
    assert sqlite_store.read(lambda r: r.entry(ALL, "n1")) == row


def test_a_work_alone_gets_its_own_exception_and_leaves_nothing(store: Store) -> None:
    error = KeyError("mine")
    with pytest.raises(KeyError) as caught:
        store.write(poison(error))
    assert caught.value is error
    assert store.read(lambda r: r.get(ALL, "Observation", "poison")) is None
    assert write(store, put()) == [1]


def test_parallel_claims_of_one_identity_have_one_winner(store: Store) -> None:
    def create(number: int) -> str:
        def work(w: Writer) -> str:
            owner = w.claim_identity(ALL, "Patient", "urn:mrn", "7", f"p{number}")
            if owner == f"p{number}":
                token = ("identifier", "urn:mrn", "7")
                w.put(ALL, [put(owner, type_="Patient", method="POST", tokens=(token,))], NOW)
            return owner

        return store.write(work)

    with ThreadPoolExecutor(THREADS) as pool:
        owners = set(pool.map(create, range(THREADS)))
    assert len(owners) == 1
    assert store.read(lambda r: r.identified(ALL, "Patient", "urn:mrn", "7")) == list(owners)
    assert store.read(lambda r: r.search(ALL, "Patient", count=0)).total == 1


def test_an_identity_passes_on_when_its_resource_gives_it_up(store: Store) -> None:
    token = ("identifier", "urn:mrn", "7")

    def claim(id_: str) -> str:
        return store.write(lambda w: w.claim_identity(ALL, "Patient", "urn:mrn", "7", id_))

    assert claim("p1") == "p1"
    assert claim("p2") == "p1"  # claimed, not yet written
    write(store, put("p1", type_="Patient", tokens=(token,)))
    assert claim("p2") == "p1"  # written
    assert store.write(lambda w: w.claim_identity(ALL, "Device", "urn:mrn", "7", "p2")) == "p2"
    write(store, put("p1", type_="Patient"))
    assert claim("p2") == "p2"  # the identifier was taken off
    write(store, put("p2", type_="Patient", tokens=(token,)))
    write(store, put("p2", None, "Patient", method="DELETE"))
    assert claim("p3") == "p3"  # deleted
    assert claim("p1") == "p3"


def test_a_read_sees_one_moment_while_others_write(store: Store) -> None:
    opened(store)
    write_in(store, "e1", put("a"), put("b"))
    stop = threading.Event()

    def writer() -> None:
        while not stop.is_set():
            write_in(store, "e1", put("a"), put("b"))

    def look(r: Any) -> tuple[int, int, int, int]:
        head = r.episode(ALL, "e1").version
        return (
            head,
            r.get(ALL, "Observation", "a").version,
            len(r.members(ALL, "e1")) // 2,
            r.get(ALL, "Observation", "b").version,
        )

    thread = threading.Thread(target=writer)
    thread.start()
    try:
        seen = [store.read(look)]
        while seen[-1][0] < seen[0][0] + 20:
            seen.append(store.read(look))
    finally:
        stop.set()
        thread.join()
    assert all(len(set(each)) == 1 for each in seen), seen
    assert seen == sorted(seen)


def test_a_write_is_seen_by_the_next_read_of_any_thread(store: Store) -> None:
    with ThreadPoolExecutor(4) as pool:
        for number in range(1, 30):
            write(store, put())
            found = pool.submit(store.read, lambda r: r.get(ALL, "Observation", "o1")).result()
            assert found is not None
            assert found.version == number


def test_two_stores_on_one_file_count_on(url: str) -> None:
    with open_store(url) as one, open_store(url) as two:
        opened(one)

        def writer(number: int) -> list[int]:
            return [write_in((one, two)[number % 2], "e1", put(f"o{number}"), put("sum")) for _ in range(10)]

        with ThreadPoolExecutor(6) as pool:
            versions = sorted(version for got in pool.map(writer, range(6)) for version in got)
        assert versions == list(range(1, 61))
        for store in (one, two):
            assert [v.version for v in store.read(lambda r: r.members(ALL, "e1")) if v.id == "sum"] == versions


def test_closing_answers_what_waits_and_then_refuses(url: str, tmp_path: Path) -> None:
    store = open_store(url)
    with ThreadPoolExecutor(THREADS) as pool:
        waiting = [pool.submit(write, store, put(f"o{number}")) for number in range(THREADS)]
        while store.counters.commits == 0:
            time.sleep(0)
        store.close()
        answered = [each for each in waiting if each.exception() is None]
        refused = [each.exception() for each in waiting if each.exception() is not None]
    assert all(isinstance(error, RuntimeError) for error in refused)
    store.close()
    with pytest.raises(RuntimeError, match="The store is closed"):
        write(store, put())
    assert not (tmp_path / "record.db-wal").exists()  # SQLite's log went into the file
    with open_store(url) as again:
        assert again.read(lambda r: r.search(ALL, "Observation", count=0)).total == len(answered)


def test_a_write_inside_a_work_is_refused_instead_of_waiting_for_ever(store: Store) -> None:
    with pytest.raises(RuntimeError, match="would wait for itself"):
        store.write(lambda _: store.write(lambda w: w.get(ALL, "Observation", "o1")))
    assert write(store, put()) == [1]


def test_a_writer_is_good_for_its_work_only(store: Store) -> None:
    kept: list[Any] = []
    store.write(kept.append)
    store.read(kept.append)
    for each in kept:
        with pytest.raises(RuntimeError, match="its work has returned"):
            each.get(ALL, "Observation", "o1")
