"""What becomes overdue while two services share a database is told once, also if the one that is at it is killed."""

import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import psycopg
import pytest

from api.clock import wall_clock
from fhirmod.r4 import parse
from fhirmod.store import Access, Job, OutboxRow, Store, open_store
from tests.intake.case import new_id

from .service import Service, running

ALL = Access.whole("tests")
SOON = timedelta(seconds=1)
LEASE_S = 3

pytestmark = pytest.mark.parametrize("backend", ["postgresql"], indirect=True)


def overdue_soon(service: Service, overdue_at: datetime) -> str:
    """Return an episode whose next round (due every 15 min, with 5 of tolerance) is overdue at that moment."""
    last = overdue_at - timedelta(minutes=20)

    def entry(kind: str, at: datetime, **fields: Any) -> dict[str, Any]:
        return {"kind": kind, "id": new_id(), "at": at.isoformat(), **fields}

    opening = {"facility": {"id": "clinic-7"}, "at": (last - timedelta(minutes=30)).isoformat()}
    episode = str(service.ask("/episodes", opening)["episode"])
    signs = {"pulse_per_min": 96, "systolic_mmhg": 104, "diastolic_mmhg": 62, "mental_state": "alert"}
    entries = [
        entry("placement", last - timedelta(minutes=9)),
        entry("fill", last - timedelta(minutes=8), volume_ml=300),
        entry("vital-signs", last, **signs),
        entry("bleeding-response", last, response="stopped"),
        entry("uterine-check", last, fundus_finger_breadths=0),
    ]
    receipt = service.ask(f"/episodes/{episode}/entries", entries)
    assert {one["status"] for one in receipt["entries"]} == {"accepted"}
    return episode


def told(store: Store) -> list[OutboxRow]:
    return [row for _, row in store.read(lambda r: r.outgoing(ALL, count=999)) if row.topic == "overdue"]


def until(what: Callable[[], Any]) -> Any:
    for _ in range(600):
        if found := what():
            return found
        time.sleep(0.02)
    raise TimeoutError("nothing happened within 12 s")


def test_two_services_tell_of_a_round_once_and_write_no_resource(url: str) -> None:
    settings = {"look_for_jobs_s": 0.2, "lease_s": LEASE_S}
    with running(url, **settings) as one, running(url, **settings) as other, open_store(url) as store:
        overdue_at = wall_clock().now() + SOON
        episode = overdue_soon(one, overdue_at)
        assert not other.ask(f"/episodes/{episode}/state?as_of={overdue_at:%FT%T.%fZ}")["watch"]["overdue"]
        task = other.ask(f"/fhir/Task/{episode}.due-round")
        [row] = until(lambda: told(store))
        said = parse(row.payload)
        assert (row.subject, said["task"]) == (episode, f"Task/{episode}.due-round")
        assert datetime.fromisoformat(said["overdue_since"]) == overdue_at < datetime.fromisoformat(row.written_at)
        assert other.ask(f"/episodes/{episode}/state")["watch"]["overdue"]
        assert other.ask(f"/fhir/Task/{episode}.due-round") == task
        time.sleep(1)  # five looks of each service
        assert told(store) == [row]
        [job] = store.read(lambda r: r.jobs(ALL))
        assert job.due_at > overdue_at + timedelta(hours=1)  # the removal is the next to look for


def test_a_service_killed_at_the_job_leaves_it_to_the_other_once_its_lease_has_ended(url: str) -> None:
    settings = {"look_for_jobs_s": 0.2, "lease_s": LEASE_S}
    with running(url, **settings) as one, running(url, **settings) as other, open_store(url) as store:
        with psycopg.connect(url) as hindrance:
            hindrance.execute("LOCK TABLE told IN EXCLUSIVE MODE")  # who does the job waits for it, and is killed there
            episode = overdue_soon(one, wall_clock().now() + SOON)

            def leased() -> Job | None:
                [job] = store.read(lambda r: r.jobs(ALL))
                return None if job.holder is None else job

            job: Job = until(leased)
            assert job.holder is not None
            services = {str(service.process.pid): service for service in (one, other)}
            services.pop(job.holder.split("/")[1]).kill()
            assert told(store) == []
            hindrance.rollback()
        [row] = until(lambda: told(store))
        assert job.due_at <= datetime.fromisoformat(row.written_at)  # not before the lease had ended
        [survivor] = services.values()
        assert survivor.ask(f"/episodes/{episode}/state")["watch"]["overdue"]
        time.sleep(1)
        assert told(store) == [row]
