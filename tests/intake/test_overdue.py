"""What is overdue is told once, by whoever looks first, and nothing stored changes by it; the clock is the test's."""

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from functools import partial
from itertools import count
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from fhirmod.episode import Moment, Protocol
from fhirmod.intake import OVERDUE, Intake, Request, overdue, work_one
from fhirmod.intake.overdue import windows
from fhirmod.r4 import parse
from fhirmod.store import Access, Job, JobRow, OutboxRow, Writer, open_store
from fhirmod.stories import Story
from tests.backends import fresh_url
from tests.stories import plausible

from .case import ALL, entry, new_id, told
from .partner import case, transaction
from .test_due import full_round, handed_over

MS = timedelta(milliseconds=1)
_names = count()


def moment(text: str) -> datetime:
    return datetime.fromisoformat(f"2026-03-01T{text}+00:00")


def asked(now: datetime) -> Request:
    return Request(ALL, now, new_id)


def sweep(intake: Intake, now: datetime) -> int:
    """Do what is due now; return how many jobs that were."""
    handlers, lasts = {OVERDUE: overdue(intake)}, timedelta(minutes=1)
    done = 0
    while work_one(intake.store, handlers, lambda: asked(now), holder=f"w{next(_names)}", lasts=lasts):
        done += 1
    return done


def all_told(intake: Intake) -> list[tuple[str, str]]:
    """Return (what, overdue since) of each row of the outbox that tells of something overdue."""
    rows = [row for _, row in intake.store.read(lambda r: r.outgoing(ALL, count=9999)) if row.topic == OVERDUE]
    return [((said := parse(row.payload))["task"].rpartition(".")[2], said["overdue_since"]) for row in rows]


def opened(intake: Intake) -> str:
    document = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    return intake.open(asked(moment("02:00:00")), document)[0].row.id


def waiting(intake: Intake) -> list[Job]:
    return intake.store.read(lambda r: r.jobs(ALL))


def added(intake: Intake, episode: str, *entries: dict[str, Any], at: str = "02:40:00") -> None:
    receipt = intake.append(asked(moment(at)), episode, list(entries), distinct=True)
    assert {one.status for one in receipt.entries} == {"accepted"}


@pytest.fixture
def course(intake: Intake) -> str:
    """Return an episode whose round is due at 02:42, with a tolerance of 5 min; removal until 02:11 the next day."""
    episode = opened(intake)
    added(intake, episode, *told(), *full_round("02:27"), at="02:30:00")
    return episode


def test_a_round_is_told_at_the_first_moment_the_state_calls_it_overdue_and_once(intake: Intake, course: str) -> None:
    snapshot = intake.snapshot(ALL, course)
    end = moment("02:47:00")
    assert [snapshot.state(as_of=at).watch.overdue for at in (end, end + MS)] == [False, True]
    sweep(intake, end)
    assert all_told(intake) == []
    [job] = waiting(intake)
    assert job.due_at == end + MS
    assert sweep(intake, end + MS) == 1
    [(_, row)] = intake.store.read(lambda r: [one for one in r.outgoing(ALL) if one[1].topic == OVERDUE])
    assert (row.subject, row.written_at) == (course, "2026-03-01T02:47:00.001Z")
    assert parse(row.payload) == {
        "task": f"Task/{course}.due-round",
        "due": "2026-03-01T02:42:00Z",
        "overdue_since": "2026-03-01T02:47:00Z",
        "drill": False,
    }
    assert snapshot.state(as_of=end + MS).watch.overdue_since == end
    [job] = waiting(intake)
    assert job.due_at == moment("02:11:00") + timedelta(days=1) + MS  # the removal is the next to look for
    assert sweep(intake, end + timedelta(hours=3)) == 0
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]


def test_looking_changes_nothing_that_is_stored(intake: Intake, course: str) -> None:
    before = intake.store.read(lambda r: r.members(ALL, course))
    row = intake.snapshot(ALL, course).row
    sweep(intake, moment("23:00:00"))
    assert all_told(intake)
    assert intake.store.read(lambda r: r.members(ALL, course)) == before
    assert intake.snapshot(ALL, course).row == row
    assert intake.rebuild(asked(moment("23:00:00"))) == 0
    sweep(intake, moment("23:00:01"))
    assert len(all_told(intake)) == 1


def test_a_round_in_time_moves_the_look_on_and_nothing_is_told(intake: Intake, course: str) -> None:
    added(intake, course, *full_round("02:41"))
    assert sweep(intake, moment("02:50:00")) == 1  # the look for the earlier window comes, and goes on
    assert all_told(intake) == []
    assert [job.due_at for job in waiting(intake)] == [moment("03:01:00") + MS]


def test_what_brings_the_next_round_forward_brings_the_look_forward(new_intake: Callable[[], Intake]) -> None:
    site = Protocol.read(b'id = "s"\nversion = "1"\nsource = "ours"\n[watch.every_min]\nafter_worsening = 5\n')
    intake = Intake(new_intake().store, site)
    episode = opened(intake)
    added(intake, episode, *told(), *full_round("02:27"), at="02:30:00")
    sweep(intake, moment("02:30:00"))
    added(intake, episode, entry("bleeding-response", "02:30", response="returned"), at="02:31:00")
    sweep(intake, moment("02:40:00") + MS)
    assert all_told(intake) == [("due-round", "2026-03-01T02:40:00Z")]


def test_a_round_that_is_taken_back_leaves_the_one_before_overdue(intake: Intake, course: str) -> None:
    round_ = full_round("02:41")
    added(intake, course, *round_)
    sweep(intake, moment("02:50:00"))
    assert all_told(intake) == []
    taken = [entry("retraction", "02:51", retracts=one["id"], reason="another woman") for one in round_[:1]]
    added(intake, course, *taken, at="02:52:00")
    assert sweep(intake, moment("02:52:00")) == 1
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]
    again = full_round("02:53")
    added(intake, course, *again, at="02:54:00")
    sweep(intake, moment("02:54:00"))
    added(intake, course, entry("retraction", "02:55", retracts=again[0]["id"], reason="no"), at="02:55:00")
    sweep(intake, moment("02:55:00"))
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]  # it is overdue again, and was told


def test_a_closed_record_has_nothing_overdue_until_it_is_reopened(intake: Intake, course: str) -> None:
    added(intake, course, entry("sign-off", "02:44", performed_by={"id": "mw-1"}), at="02:45:00")
    assert intake.snapshot(ALL, course).row.status == "closed"
    sweep(intake, moment("02:50:00"))
    assert (all_told(intake), waiting(intake)) == ([], [])
    added(intake, course, entry("note", "02:51", text="one more"), at="02:52:00")
    assert intake.snapshot(ALL, course).row.status == "open"
    sweep(intake, moment("02:52:00"))
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]


def test_a_copy_that_is_not_the_custodians_has_nothing_overdue(intake: Intake, course: str) -> None:
    added(intake, course, *handed_over(), at="02:46:00")
    sweep(intake, moment("23:00:00"))
    assert (all_told(intake), waiting(intake)) == ([], [])


def test_a_case_that_came_as_fhir_is_looked_at_too(intake: Intake) -> None:
    resources = [one for one in case() if one["resourceType"] != "MedicationAdministration"]
    resources[1]["status"] = "in-progress"
    _, receipt = intake.transaction(asked(moment("02:40:00")), transaction(resources))
    assert receipt.episode is not None
    sweep(intake, datetime(2027, 1, 1, tzinfo=UTC))
    asks = {one.task.rpartition(".")[2] for one in windows(intake.snapshot(ALL, receipt.episode))}
    assert asks
    assert {what for what, _ in all_told(intake)} == asks
    assert waiting(intake) == []


def test_a_look_that_is_missing_is_put_again_by_rebuild(intake: Intake, course: str) -> None:
    [before] = waiting(intake)
    intake.store.write(lambda w: w._cursor.execute("DELETE FROM job"))
    assert intake.rebuild(asked(moment("02:30:00"))) == 0
    [job] = waiting(intake)
    assert job == before._replace(seq=job.seq)


def test_many_that_look_at_once_tell_it_once(url: str) -> None:
    with ExitStack() as stack:
        intakes = [Intake(stack.enter_context(open_store(url)), Protocol.default()) for _ in range(4)]
        episodes = [opened(intakes[0]) for _ in range(6)]
        for episode in episodes:
            added(intakes[0], episode, *told())
        with ThreadPoolExecutor(8) as pool:
            done = list(pool.map(lambda n: sweep(intakes[n % 4], moment("03:00:00")), range(8)))
        assert sum(done) == len(episodes)
        assert len(all_told(intakes[0])) == len(set(all_told(intakes[0]))) * len(episodes) == len(episodes)


def test_a_worker_that_has_lost_its_lease_tells_nothing(intake: Intake, course: str) -> None:
    """Its work is done when another has taken the job: the transaction of both is undone."""
    start = moment("03:00:00")

    def slow(job: Job, request: Request) -> Callable[[Writer], datetime | None]:
        work = overdue(intake)(job, request)
        assert sweep(intake, start + timedelta(minutes=2)) == 1  # the other, after the lease of one minute

        def work_and_write(writer: Writer) -> datetime | None:
            writer.outbox(ALL, [OutboxRow(OVERDUE, course, b'{"task":"x","overdue_since":"x"}', "")])
            return work(writer)

        return work_and_write

    assert work_one(intake.store, {OVERDUE: slow}, lambda: asked(start), holder="late", lasts=timedelta(minutes=1))
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]


def test_a_handler_that_fails_is_tried_later_and_the_job_keeps_a_code_and_no_words(
    intake: Intake, course: str, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(job: Job, request: Request) -> Any:
        raise ValueError("she is called Mary")

    at = moment("03:00:00")
    [before] = waiting(intake)
    assert work_one(intake.store, {OVERDUE: broken}, lambda: asked(at), holder="w", lasts=timedelta(minutes=1))
    [job] = waiting(intake)
    assert (job.error, job.attempts, job.due_at) == ("ValueError", 1, at + timedelta(seconds=30))
    assert job == before._replace(error="ValueError", attempts=1, due_at=job.due_at)
    assert "Mary" not in caplog.text
    sweep(intake, at + timedelta(seconds=30))
    assert all_told(intake) == [("due-round", "2026-03-01T02:47:00Z")]


def test_the_log_says_when_an_episode_has_become_silent_and_what_mends_it(
    intake: Intake, course: str, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(job: Job, request: Request) -> Any:
        raise ValueError

    at = moment("03:00:00")
    for _ in range(8):
        assert "is given up" not in caplog.text
        [job] = waiting(intake)
        at = max(at, job.due_at)
        assert work_one(intake.store, {OVERDUE: broken}, partial(asked, at), holder="w", lasts=timedelta(minutes=1))
    said = f"Job {job.seq} (overdue of {course}) is given up: nothing of it is done or told until "
    assert f"{said}`fhirmod jobs --revive {job.seq}`." in caplog.text


def test_an_entry_that_moves_no_window_puts_no_job(intake: Intake, course: str) -> None:
    """Counted: the statement is there for the entry that completes a round, and for no other."""

    def statements(*entries: dict[str, Any]) -> int:
        before = intake.store.counters.statements
        added(intake, course, *entries)
        return intake.store.counters.statements - before

    signs, look, check = full_round("02:41")
    puts: list[int] = []
    put_jobs = Writer.put_jobs

    def seen(writer: Writer, access: Access, rows: Sequence[JobRow]) -> None:
        puts.append(len(rows))
        put_jobs(writer, access, rows)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Writer, "put_jobs", seen)
        assert statements(signs) <= 16
        statements(look)
        assert puts == [0, 0]
        with_job = statements(check)
        assert puts == [0, 0, 1]
        patch.setattr(Writer, "put_jobs", lambda *_: None)
        *rest, check = full_round("02:50")
        statements(*rest)
        assert with_job == statements(check) + 1


@settings(max_examples=6, deadline=None, suppress_health_check=list(HealthCheck))
@given(story=plausible())
def test_played_as_it_happened_each_window_that_ended_unmet_is_told_once_and_no_other(story: Story) -> None:
    """The plain way: between two receipts, whatever the Tasks asked for until a moment before the second is overdue.

    So is whatever round the state calls overdue, computed on its own from the entries that had happened.
    """
    with fresh_url("sqlite") as url, open_store(url) as store:
        intake = Intake(store, Protocol.default())
        now = datetime.fromisoformat(story.opening["at"])
        episode = intake.open(asked(now), story.opening)[0].row.id
        expected: set[tuple[str, str]] = set()
        entries = sorted(story.entries, key=lambda one: datetime.fromisoformat(one["recorded_at"]))
        times = [datetime.fromisoformat(one["recorded_at"]) for one in entries]
        for document, then in zip(entries, [*times[1:], times[-1] + timedelta(days=3)], strict=True):
            now = max(now + MS, datetime.fromisoformat(document["recorded_at"]))
            following = max(then, now + MS)
            intake.append(asked(now), episode, [document], distinct=True)
            snapshot = intake.snapshot(ALL, episode)
            asks = list(windows(snapshot))
            expected |= {(one.task.rpartition(".")[2], one.end) for one in asks if one.overdue_from <= following}
            happened = all(one.instant is None or one.instant <= following for one in snapshot.episode.standing())
            watch = snapshot.state(as_of=following).watch
            if happened and isinstance(watch.overdue_since, datetime):
                assert ("due-round", Moment.of(watch.overdue_since.astimezone(UTC)).text) in {
                    (what, Moment.of(datetime.fromisoformat(end).astimezone(UTC)).text) for what, end in expected
                }
            sweep(intake, following)
        assert sorted(all_told(intake)) == sorted(expected)
