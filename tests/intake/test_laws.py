"""The laws of the record, on histories of every kind with corrections and retractions."""

from collections.abc import Iterator
from contextlib import contextmanager
from random import Random

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import Entry, Protocol
from fhirmod.exchange import case_bundle
from fhirmod.intake import Intake, Snapshot
from fhirmod.intake.rebuilding import expected
from fhirmod.store import open_store
from tests.any_entry import histories
from tests.backends import fresh_url

from .case import ALL, opened, request

LAW = settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))


@contextmanager
def fresh(backend: str) -> Iterator[Intake]:
    with fresh_url(backend) as url, open_store(url) as store:
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
def test_entries_in_any_order_and_twice_give_the_same_record(
    backend: str, history: list[Entry], order: Random, batch: int
) -> None:
    shuffled = [*history, *history[::2]]
    order.shuffle(shuffled)
    with fresh(backend) as one, fresh(backend) as other:
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
def test_what_is_read_back_from_the_store_is_what_was_recorded(backend: str, history: list[Entry]) -> None:
    with fresh(backend) as intake:
        live = recorded(intake, history, 5)
        cold = Intake(intake.store, intake.protocol).snapshot(ALL, live.row.id)
        assert cold.episode.standing() == live.episode.standing()
        assert set(cold.episode.by_id) == set(live.episode.by_id)
        assert expected(cold).keys() == expected(live).keys()
        assert cold.unread == ()


@LAW
@given(history=histories())
def test_a_case_sent_on_as_fhir_stands_the_same_and_sending_it_again_changes_nothing(
    backend: str, history: list[Entry]
) -> None:
    with fresh(backend) as here, fresh(backend) as there:
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
