"""The laws of the record, on histories of every kind with corrections and retractions."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import Entry, Protocol
from fhirmod.exchange import case_bundle
from fhirmod.intake import Intake, Snapshot
from fhirmod.intake.rebuilding import expected
from fhirmod.store import open_store
from tests.any_entry import histories

from .case import ALL, opened, request

LAW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


@contextmanager
def fresh() -> Iterator[Intake]:
    with tempfile.TemporaryDirectory() as folder, open_store(f"sqlite:///{folder}/law.db") as store:
        yield Intake(store, Protocol.default())


def said(snapshot: Snapshot) -> list[Entry]:
    return [one for one in snapshot.episode.standing() if one.kind != "opening"]


def _unlinked(entry: Entry) -> Entry:
    """Return the entry as if it corrected nothing: the links between corrections are not sent, only what stands."""
    return entry.model_copy(update={"corrects": None})


def recorded(intake: Intake, history: list[Entry], batch: int) -> Snapshot:
    episode = opened(intake)
    documents = [entry.document() for entry in history]
    for start in range(0, len(documents), batch):
        receipt = intake.append(request(), episode, documents[start : start + batch])
        assert {one.status for one in receipt.entries} <= {"accepted", "waiting", "repeat"}, receipt
    return intake.snapshot(ALL, episode)


@LAW
@given(history=histories(), order=st.randoms(use_true_random=False), batch=st.sampled_from([1, 3, 100]))
def test_entries_in_any_order_and_twice_give_the_same_record(history: list[Entry], order, batch: int) -> None:  # type: ignore[no-untyped-def]
    shuffled = [*history, *history[::2]]
    order.shuffle(shuffled)
    with fresh() as one, fresh() as other:
        straight = recorded(one, history, 100)
        mixed = recorded(other, shuffled, batch)
        assert said(mixed) == said(straight)
        assert {key.measure: pair[0] for key, pair in mixed.summary.items()} == {
            key.measure: pair[0] for key, pair in straight.summary.items()
        }
        assert one.rebuild(request()) == 0
        assert other.rebuild(request()) == 0


@LAW
@given(history=histories())
def test_what_is_read_back_from_the_store_is_what_was_recorded(history: list[Entry]) -> None:
    with fresh() as intake:
        live = recorded(intake, history, 5)
        cold = Intake(intake.store, intake.protocol).snapshot(ALL, live.row.id)
        assert cold.episode.standing() == live.episode.standing()
        assert set(cold.episode.by_id) == set(live.episode.by_id)
        assert expected(cold).keys() == expected(live).keys()
        assert cold.unread == ()


@LAW
@given(history=histories())
def test_a_case_sent_on_as_fhir_stands_the_same_and_sending_it_again_changes_nothing(history: list[Entry]) -> None:
    with fresh() as here, fresh() as there:
        live = recorded(here, history, 5)
        bundle = here.store.read(
            lambda reader: case_bundle(reader, ALL, live.row.id, "http://a/fhir", type="transaction")
        )
        _, receipt = there.transaction(request(), bundle)
        assert receipt.unread == ()
        sent = [_unlinked(one) for one in live.episode.standing()]
        assert [_unlinked(one) for one in there.snapshot(ALL, live.row.id).episode.standing()] == sent
        written, _ = there.transaction(request(), bundle)
        assert not any(one.written for one in written)
        assert there.rebuild(request()) == 0
