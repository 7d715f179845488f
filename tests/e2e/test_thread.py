"""The whole line, over real processes: bedside taps in, state, FHIR out, the same case in a second service."""

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from fhirmod.episode import Protocol
from fhirmod.exchange import Case, demo_cases
from fhirmod.intake import Intake, Request
from fhirmod.r4 import dump
from fhirmod.store import Access, open_store
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


def test_twenty_writers_over_http_lose_nothing(tmp_path: Path) -> None:
    with running(tmp_path / "many.db") as service:
        episode = service.ask("/episodes", {"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"})["episode"]
        queues = [[entry("blood-loss", "03:00", method="drape", volume_ml=10) for _ in range(10)] for _ in range(20)]

        def write(queue: list[dict[str, Any]]) -> None:
            for one in queue:
                service.ask(f"/episodes/{episode}/entries?distinct=true", one)

        with ThreadPoolExecutor(20) as pool:
            list(pool.map(write, queues))
        sent = {one["id"] for queue in queues for one in queue}
        entries = service.ask(f"/episodes/{episode}/entries")["entries"]
        assert {one["id"] for one in entries if one["kind"] == "blood-loss"} == sent
        total = service.ask(f"/fhir/Observation/{episode}.blood-loss-measured")
        assert total["valueQuantity"]["value"] == 2000
    with open_store(f"sqlite:///{tmp_path / 'many.db'}") as store:
        upkeep = Request(Access.whole("tests"), datetime(2026, 3, 2, tzinfo=UTC), new_id)
        assert Intake(store, Protocol.default()).rebuild(upkeep) == 0
