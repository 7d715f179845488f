"""The service killed while it writes, again and again: every acknowledged entry is there, and nothing half-written."""

import http.client
import threading
import time
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from fhirmod.episode import Protocol, read_entry
from fhirmod.intake import Intake, Request
from fhirmod.mapping import images
from fhirmod.store import Access, Store, Version, open_store
from tests.intake import partner
from tests.intake.case import entry, new_id

from .service import Service, running

KILLS = {"sqlite": 25, "postgresql": 10}
ALL = Access.whole("tests")


def vitals() -> dict[str, Any]:
    return entry("vital-signs", "03:00", pulse_per_min=100, systolic_mmhg=100, diastolic_mmhg=60, mental_state="alert")


def write_until_killed(service: Service, episode: str, sent: dict[str, Any], acknowledged: set[str]) -> None:
    with suppress(OSError, http.client.HTTPException):
        while True:
            one = vitals()
            sent[one["id"]] = one
            receipt = service.ask(f"/episodes/{episode}/entries?distinct=true", one)
            assert receipt["entries"][0]["status"] == "accepted"
            acknowledged.add(one["id"])


def send_cases_until_killed(service: Service, sent: list[bytes], acknowledged: list[str]) -> None:
    with suppress(OSError, http.client.HTTPException):
        while True:
            sent.append(partner.transaction())
            answer = service.ask("/fhir", sent[-1])
            acknowledged.extend(one["response"]["location"] for one in answer["entry"])


def present(store: Store, keys: list[tuple[str, str]]) -> dict[tuple[str, str], Version]:
    return store.read(lambda reader: reader.get_many(ALL, keys))


def total(store: Store, type_: str) -> int:
    counted = store.read(lambda reader: reader.search(ALL, type_, count=0)).total
    assert counted is not None
    return counted


def test_kills_lose_nothing_that_was_acknowledged_and_leave_nothing_half_written(url: str, backend: str) -> None:
    kills = KILLS[backend]
    sent: dict[str, Any] = {}
    acknowledged: set[str] = set()
    cases: list[bytes] = []
    locations: list[str] = []
    episode = ""
    for kill in range(kills):
        with running(url.removeprefix("sqlite:///")) as service:
            if not episode:
                opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
                episode = service.ask("/episodes", opening)["episode"]
            writers = [
                threading.Thread(target=write_until_killed, args=(service, episode, sent, acknowledged))
                for _ in range(3)
            ]
            writers.append(threading.Thread(target=send_cases_until_killed, args=(service, cases, locations)))
            for writer in writers:
                writer.start()
            known = len(acknowledged), len(locations)
            deadline = time.monotonic() + 10
            while known[0] == len(acknowledged) or known[1] == len(locations):
                assert time.monotonic() < deadline, "nothing was acknowledged within 10 s"
                time.sleep(0.005)
            time.sleep(kill % 7 * 0.02)
            service.kill()
            for writer in writers:
                writer.join()
    assert len(sent) > len(acknowledged), "no kill came between a request and its answer"
    print(
        f"{len(sent)} entries and {len(cases)} cases sent, {len(acknowledged)} and {len(locations) // 9} acknowledged"
    )
    with open_store(url) as store:
        intake = Intake(store, Protocol.default())
        snapshot = intake.snapshot(ALL, episode)
        there = {one.id for one in snapshot.episode.standing() if one.kind == "vital-signs"}
        assert acknowledged <= there <= sent.keys()
        logged = store.read(lambda reader: set(reader.entries(ALL, sent)))
        assert logged == there
        for id_, document in sent.items():
            image = images(read_entry({"recorded_at": "2026-03-01T04:00:00Z", **document}), snapshot.context, root=id_)
            keys = [(one.type, one.id) for one in image]
            assert len(present(store, keys)) == (len(keys) if id_ in there else 0)
        received = total(store, "MedicationAdministration")  # one in each case
        assert kills <= len(locations) / 9 <= received <= len(cases)
        assert total(store, "Patient") == received + 1  # and the woman of the bedside's episode
        keys = [(type_, id_) for type_, id_ in (one.split("/fhir/")[1].split("/")[:2] for one in locations)]
        assert len(present(store, keys)) == len(keys)
        assert intake.rebuild(Request(ALL, datetime(2026, 3, 2, tzinfo=UTC), new_id)) == 0
