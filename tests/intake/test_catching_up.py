"""Several workers on one record: a snapshot that another worker's writes made old catches up, and is what is read cold.

The model is `load`: everything read back from the store.
"""

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import fields, replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod import r4
from fhirmod.episode import Protocol
from fhirmod.errors import FhirmodError
from fhirmod.intake import Intake, Snapshot, reading_back, resources
from fhirmod.store import open_store
from tests.any_entry import histories
from tests.backends import fresh_url
from tests.stories import plausible

from . import partner
from .case import ALL, opened, request, told
from .test_counters import vitals
from .test_fhir_laws import do

DOINGS = ("entries", "entries", "entries", "entries", "retract", "correct", "delete", "put back", "in error", "note")
OPENING = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
TOLD = st.one_of(
    plausible().map(lambda story: (story.opening, story.entries)),
    histories().map(lambda history: (OPENING, [one.document() for one in history])),
)
STEPS = st.lists(
    st.tuples(st.sampled_from(DOINGS), st.integers(0, 10_000), st.integers(0, 1), st.integers(1, 9), st.booleans()),
    min_size=6,
    max_size=20,
)


@contextmanager
def workers(backend: str) -> Iterator[list[Intake]]:
    """Give two workers on one store, each with snapshots of its own."""
    with fresh_url(backend) as url, open_store(url) as store:
        yield [Intake(store, Protocol.default()) for _ in range(2)]


def cold(intake: Intake, episode: str) -> Snapshot:
    return Intake(intake.store, intake.protocol).snapshot(ALL, episode)


def said(snapshot: Snapshot) -> dict[str, Any]:
    """Return every field of a snapshot; the woman by all her references, since a new episode knows only one."""
    context = replace(snapshot.context, also=snapshot.context.subjects)
    return {each.name: getattr(snapshot, each.name) for each in fields(snapshot)} | {"context": context}


@pytest.fixture
def both(backend: str) -> Iterator[list[Intake]]:
    with workers(backend) as two:
        yield two


@pytest.fixture
def loads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Return the episodes that were read back whole, as it happens."""
    found: list[str] = []

    def counted(reader: Any, access: Any, row: Any, *rest: Any) -> Any:
        found.append(row.id)
        return reading_back.load(reader, access, row, *rest)

    monkeypatch.setattr(resources, "load", counted)
    return found


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(case=TOLD, steps=STEPS)
def test_whoever_writes_what_each_worker_knows_is_what_is_read_back(
    backend: str, case: tuple[Any, list[Any]], steps: list[tuple[str, int, int, int, bool]]
) -> None:
    opening, waiting = case[0], list(case[1])
    with workers(backend) as both:
        episode = both[0].open(request(), opening)[0].row.id
        for what, which, who, count, looks in steps:
            with suppress(FhirmodError):
                if what == "entries":
                    both[who].append(request(), episode, [waiting.pop(0) for _ in range(min(count, len(waiting)))])
                else:
                    do(both[who], episode, what, which)
            if looks:
                assert said(both[1 - who].snapshot(ALL, episode)) == said(cold(both[0], episode)), what
        assert both[0].rebuild(request()) == 0


def test_workers_that_take_turns_read_only_what_is_newer_whatever_the_length(
    both: list[Intake], loads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    parsed: list[bytes] = []

    def counted(text: bytes) -> Any:
        parsed.append(text)
        return r4.parse(text)

    monkeypatch.setattr(reading_back, "parse", counted)
    episode = opened(both[0])
    both[0].append(request(), episode, told())
    both[1].snapshot(ALL, episode)
    loads.clear()

    def turn(minute: int) -> tuple[int, int]:
        """Return the statements and parses of an entry behind one of the other worker."""
        both[0].append(request(), episode, [vitals(minute)])
        parsed.clear()
        before = both[0].store.counters.statements
        both[1].append(request(), episode, [vitals(minute)], distinct=True)
        return both[0].store.counters.statements - before, len(parsed)

    short = turn(0)
    both[1].append(request(), episode, [vitals(minute) for minute in range(1, 150)])
    assert turn(150) == short
    assert short[1] == 4  # pulse, pressure, saturation, panel
    assert short[0] <= 16 + 2  # what an entry takes anyhow, what is newer, the code map
    assert loads == []
    assert said(both[1].snapshot(ALL, episode)) == said(cold(both[0], episode))


def test_many_writers_at_two_workers_leave_each_with_what_is_read_back(both: list[Intake]) -> None:
    episode = opened(both[0])
    both[0].append(request(), episode, told())

    def write(number: int) -> list[str]:
        mine = both[number % 2]
        found: list[str] = []
        for turn in range(6):
            if number == 0 and turn % 3 == 2:
                do(mine, episode, "retract", turn)
                continue
            receipt = mine.append(request(), episode, [vitals(6 * number + turn)], distinct=True)
            found += [one.status for one in receipt.entries]
        return found

    with ThreadPoolExecutor(8) as pool:
        statuses = [one for each in pool.map(write, range(8)) for one in each]
    assert statuses == ["accepted"] * 46
    for intake in both:
        assert said(intake.snapshot(ALL, episode)) == said(cold(intake, episode))
    assert both[0].rebuild(request()) == 0


@pytest.mark.parametrize("what", ["correct", "retract", "delete"])
def test_what_changes_an_entry_that_was_there_is_read_back_whole(
    both: list[Intake], loads: list[str], what: str
) -> None:
    episode = opened(both[0])
    both[0].append(request(), episode, told())
    both[1].snapshot(ALL, episode)
    do(both[0], episode, what, 3)
    loads.clear()
    assert said(both[1].snapshot(ALL, episode)) == said(cold(both[0], episode))
    assert loads == [episode, episode]  # the worker, and the one that knows nothing


def test_where_another_system_wrote_in_the_episode_it_is_read_back_whole(both: list[Intake], loads: list[str]) -> None:
    _, receipt = both[0].transaction(request(), partner.transaction())
    episode = str(receipt.episode)
    both[1].snapshot(ALL, episode)
    both[0].append(request(), episode, [vitals(0)])
    loads.clear()
    both[1].snapshot(ALL, episode)
    assert loads == [episode]


def test_a_snapshot_that_was_rolled_back_is_nothing_to_start_from(
    both: list[Intake], loads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    episode = opened(both[0])
    both[0].append(request(), episode, told())
    write = both[0].store.write

    def undone(work: Callable[[Any], Any]) -> Any:
        def then_fails(writer: Any) -> Any:
            work(writer)
            raise RuntimeError("the server went away")

        return write(then_fails)

    with monkeypatch.context() as broken:
        broken.setattr(both[0].store, "write", undone)
        with pytest.raises(RuntimeError, match="went away"):
            both[0].append(request(), episode, [vitals(0)])
    for minute in (1, 2):
        both[1].append(request(), episode, [vitals(minute)])
    loads.clear()
    assert said(both[0].snapshot(ALL, episode)) == said(cold(both[1], episode))
    assert loads == [episode, episode]
