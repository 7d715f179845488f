"""The whole line, over real processes: bedside taps in, state, FHIR out, the same case in a second service."""

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fhirmod.episode import Protocol
from fhirmod.exchange import Case, demo_cases
from fhirmod.intake import Intake, Request
from fhirmod.r4 import dump
from fhirmod.store import Access, open_store
from tests.intake import partner
from tests.intake.case import entry, new_id

from .service import Service, running

NAMES = ("straightforward", "transferred", "expelled")
CASES = {case.name: case for case in demo_cases() if case.name in NAMES}


def record(service: Service, case: Case) -> str:
    episode = str(service.ask("/episodes", dump(case.opening))["episode"])
    receipt = service.ask(f"/episodes/{episode}/entries", dump(case.entries))
    assert {one["status"] for one in receipt["entries"]} == {"accepted"}
    return episode


def told(service: Service, episode: str) -> tuple[Any, Any]:
    """Return the standing entries and the state, without what is each service's own."""
    entries = service.ask(f"/episodes/{episode}/entries")["entries"]
    state = service.ask(f"/episodes/{episode}/state?as_of=2026-03-03T00:00:00Z")
    for own in ("version", "last_received", "seven_lines"):
        state.pop(own)
    return entries, state


@pytest.mark.parametrize("name", CASES)
def test_a_case_tapped_in_one_service_and_sent_to_another_is_the_same_there(name: str, tmp_path: Path) -> None:
    with running(tmp_path / "here.db") as here, running(tmp_path / "there.db") as there:
        episode = record(here, CASES[name])
        bundle = here.ask(f"/episodes/{episode}/bundle?type=transaction")
        answer = there.ask("/fhir", bundle)
        assert len(answer["entry"]) == len(bundle["entry"])
        assert told(there, episode) == told(here, episode)
        again = there.ask("/fhir", bundle)
        assert {one["response"]["status"] for one in again["entry"]} == {"200 OK"}
        assert told(there, episode) == told(here, episode)


def test_the_straightforward_case_has_the_numbers_worked_out_for_it(tmp_path: Path) -> None:
    with running(tmp_path / "one.db") as service:
        episode = record(service, CASES["straightforward"])
        state = service.ask(f"/episodes/{episode}/state?as_of=2026-03-01T12:00:00%2B01:00")
        [balloon] = state["balloons"]
        assert state["loss"]["measured"]["ml"] == 1160
        assert (balloon["stop"]["first_reduced_min"], balloon["stop"]["time_to_first_stop_min"]) == (4, 7)
        assert balloon["compartments"][0]["reconciliation"]["difference_ml"] == 15
        assert balloon["dwell"]["minutes"] == 9 * 60 + 2


def loss_as_fhir(episode: str, patient: str) -> bytes:
    return dump(
        {
            "resourceType": "Observation",
            "status": "final",
            "code": partner.coded(partner.LOINC, "81661-1"),
            "subject": {"reference": patient},
            "partOf": [{"reference": f"Procedure/{episode}.anchor"}],
            "effectiveDateTime": "2026-03-01T03:00:00Z",
            "valueQuantity": partner.milli(10),
        }
    )


@pytest.mark.parametrize(("backend", "services"), [("sqlite", 1), ("postgresql", 2)], indirect=["backend"])
def test_twenty_writers_on_both_sides_of_one_episode_lose_nothing(url: str, services: int) -> None:
    """On PostgreSQL through two processes, neither of which knows what the other has written last."""
    each = 6
    with ExitStack() as stack:
        asked = [stack.enter_context(running(url.removeprefix("sqlite:///"))) for _ in range(services)]
        episode = asked[0].ask("/episodes", {"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"})["episode"]
        patient = asked[0].ask(f"/fhir/Procedure/{episode}.anchor")["subject"]["reference"]

        def write(number: int) -> list[str]:
            """Return what was acknowledged: entry ids, or the locations of resources."""
            done = []
            for turn in range(each):
                service = asked[(number // 2 + turn) % services]
                if number % 2:
                    one = entry("blood-loss", "03:00", method="drape", volume_ml=10)
                    receipt = service.ask(f"/episodes/{episode}/entries?distinct=true", one)
                    assert receipt["entries"][0]["status"] == "accepted"
                    done.append(one["id"])
                else:
                    done.append(f"Observation/{service.ask('/fhir/Observation', loss_as_fhir(episode, patient))['id']}")
            return done

        with ThreadPoolExecutor(20) as pool:
            acknowledged = [name for done in pool.map(write, range(20)) for name in done]
        assert len(set(acknowledged)) == 20 * each
        for service in asked:
            entries = service.ask(f"/episodes/{episode}/entries")["entries"]
            assert len([one for one in entries if one["kind"] == "blood-loss"]) == 20 * each
            by_hand = {name for name in acknowledged if "/" not in name}
            assert by_hand <= {one["id"] for one in entries}
            total = service.ask(f"/fhir/Observation/{episode}.blood-loss-measured")
            assert total["valueQuantity"]["value"] == 10 * 20 * each
    with open_store(url) as store:
        received = [name.split("/")[1] for name in acknowledged if "/" in name]
        found = store.read(lambda r: r.get_many(Access.whole("tests"), [("Observation", id_) for id_ in received]))
        assert len(found) == len(received)
        head = store.read(lambda r: r.episode(Access.whole("tests"), episode))
        assert head is not None
        assert head.version == 1 + 20 * each
        upkeep = Request(Access.whole("tests"), datetime(2026, 3, 2, tzinfo=UTC), new_id)
        assert Intake(store, Protocol.default()).rebuild(upkeep) == 0
