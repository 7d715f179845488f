"""Tasks of what is due, and custody: two services with one woman between them; only the custodian's has due items."""

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from fhirmod.episode import Protocol
from fhirmod.errors import BusinessRuleError
from fhirmod.exchange import case_bundle
from fhirmod.intake import Intake
from fhirmod.r4 import check, dump, parse
from fhirmod.store import open_store

from .case import ALL, START, entry, opened, request, told
from .partner import case, transaction

HERE, THERE = "clinic-7", "hospital-2"


@pytest.fixture
def services(tmp_path: Path) -> Iterator[Callable[..., Intake]]:
    made: list[Intake] = []

    def make(*facilities: str, protocol: Protocol | None = None) -> Intake:
        store = open_store(f"sqlite:///{tmp_path}/{len(made)}.db")
        made.append(Intake(store, protocol or Protocol.default(), facilities))
        return made[-1]

    yield make
    for one in made:
        one.store.close()


def tasks(intake: Intake, episode: str) -> dict[str, Any]:
    """Return the stored Tasks of an episode by what is due."""
    found = {}
    for image in intake.snapshot(ALL, episode).assembled.values():
        if image.type == "Task":
            version = intake.store.read(lambda reader, id_=image.id: reader.get(ALL, "Task", id_))  # type: ignore[misc]
            assert version is not None
            found[image.id.rpartition(".")[2]] = parse(version.body or b"")
    return found


def flags(intake: Intake, episode: str) -> list[Any]:
    made = intake.snapshot(ALL, episode).assembled.values()
    ids = [one.id for one in made if one.type == "Flag"]
    versions = (intake.store.read(lambda reader, id_=one: reader.get(ALL, "Flag", id_)) for one in ids)  # type: ignore[misc]
    return [parse(one.body or b"") for one in versions if one is not None]


def full_round(at: str) -> list[dict[str, Any]]:
    signs = {"pulse_per_min": 96, "systolic_mmhg": 104, "diastolic_mmhg": 62, "mental_state": "alert"}
    return [
        entry("vital-signs", at, **signs),
        entry("bleeding-response", at, response="stopped"),
        entry("uterine-check", at, fundus_finger_breadths=0),
    ]


def handed_over() -> list[dict[str, Any]]:
    return [
        entry("transfer", "02:40", step="departed", to_facility={"id": THERE}),
        entry("transfer", "03:30", step="arrived"),
        entry("custody", "03:35", answer="accepted", performed_by={"id": "reg-1"}, facility={"id": THERE}),
    ]


def sent(intake: Intake, episode: str) -> bytes:
    base = "http://a/fhir"
    return intake.store.read(lambda reader: case_bundle(reader, ALL, episode, base, type="transaction"))


def test_each_thing_that_is_due_is_one_valid_task_with_a_window_and_its_parameters(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    found = tasks(intake, episode)
    assert set(found) == {"due-round", "due-tamponade", "due-removal"}
    for task in found.values():
        assert [one for one in check(task) if one.refuses] == []
        assert task["owner"]["identifier"]["value"] == HERE
        assert task["for"]["reference"].startswith("Patient/")
        assert {one["type"]["text"] for one in task["input"] if "valueQuantity" in one} <= set(
            intake.protocol.thresholds
        ) | {"watch.every_min.since_fill"}
    window = found["due-removal"]["restriction"]["period"]
    assert window == {"start": "2026-03-01T08:11:00Z", "end": "2026-03-02T02:11:00Z"}  # placed 02:11; 6 h and 24 h
    assert (found["due-round"]["status"], found["due-tamponade"]["status"]) == ("requested", "completed")
    assert found["due-removal"]["focus"]["reference"].endswith(".placement")


def test_one_full_round_moves_one_task_and_nothing_else_that_is_assembled(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    before = intake.snapshot(ALL, episode).assembled
    intake.append(request(), episode, full_round("02:27"))
    after = intake.snapshot(ALL, episode).assembled
    assert [ref for ref in after if after[ref] != before.get(ref)] == [f"Task/{episode}.due-round"]
    period = tasks(intake, episode)["due-round"]["restriction"]["period"]
    assert period == {"start": "2026-03-01T02:42:00Z", "end": "2026-03-01T02:47:00Z"}


def test_a_day_of_reading_and_rebuilding_changes_no_task(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, [*told(), *full_round("02:27")])
    before = tasks(intake, episode)
    cold = Intake(intake.store, Protocol.default())
    assert cold.snapshot(ALL, episode).state(as_of=START + timedelta(days=2)).watch.overdue
    assert cold.rebuild(request()) == 0
    assert tasks(cold, episode) == before
    assert all("overdue" not in dump(task).decode() for task in before.values())


def test_a_retracted_placement_takes_its_tasks_with_it(intake: Intake) -> None:
    episode = opened(intake)
    course = told()
    intake.append(request(), episode, course)
    placement = next(one["id"] for one in course if one["kind"] == "placement")
    intake.append(request(), episode, [entry("retraction", "02:30", retracts=placement, reason="another woman")])
    assert tasks(intake, episode) == {}
    version = intake.store.read(lambda reader: reader.get(ALL, "Task", f"{placement}.due-removal"))
    assert version is not None
    assert version.body is None
    assert intake.rebuild(request()) == 0


def test_a_due_task_cannot_be_written_from_outside(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    task = tasks(intake, episode)["due-round"]
    with pytest.raises(BusinessRuleError, match="is assembled from the entries; post the entry of what was done"):
        intake.update(request(), "Task", task["id"], dump(task | {"status": "completed"}))


def test_what_is_due_follows_the_protocol_the_episode_was_opened_with(services: Callable[..., Intake]) -> None:
    site = Protocol.read(b'id = "site"\nversion = "2"\nsource = "our own table"\n[dwell]\nearliest_h = 8\n')
    intake = services(protocol=site)
    episode = opened(intake)
    later = Intake(intake.store, Protocol.default())
    later.append(request(), episode, told())
    task = tasks(later, episode)["due-removal"]
    assert task["restriction"]["period"]["start"] == "2026-03-01T10:11:00Z"
    assert task["reasonCode"]["text"].startswith("our own table")
    assert later.rebuild(request()) == 0


def test_custody_that_another_facility_accepted_ends_what_is_due_here_and_the_flag(
    services: Callable[..., Intake],
) -> None:
    sender = services()
    episode = opened(sender)
    sender.append(request(), episode, told())
    assert [one["status"] for one in flags(sender, episode)] == ["active"]
    sender.append(request(), episode, handed_over()[:2])
    assert [one["status"] for one in flags(sender, episode)] == ["active"]  # on the way: custody has not moved
    sender.append(request(), episode, handed_over()[2:])
    [flag] = flags(sender, episode)
    assert (flag["status"], flag["period"]["end"]) == ("inactive", "2026-03-01T03:35:00Z")
    found = tasks(sender, episode)
    assert found["due-round"]["status"] == found["due-removal"]["status"] == "cancelled"
    assert found["due-round"]["statusReason"]["coding"][0]["code"] == "due-other-facility"
    assert found["due-tamponade"]["status"] == "completed"
    assert found["due-round"]["owner"]["identifier"]["value"] == THERE
    state = sender.snapshot(ALL, episode).state(as_of=START + timedelta(hours=12))
    assert (state.copy.word, state.copy.custodian, state.watch.overdue) == ("last-known", THERE, False)
    assert sender.rebuild(request()) == 0


def test_the_receiving_service_has_them_once_it_records_the_acceptance(services: Callable[..., Intake]) -> None:
    sender, receiver = services(), services(THERE)
    episode = opened(sender)
    sender.append(request(), episode, told())
    receiver.transaction(request(), sent(sender, episode))
    assert {one["status"] for one in tasks(receiver, episode).values()} == {"cancelled", "completed"}
    assert [one["status"] for one in flags(receiver, episode)] == ["inactive"]
    receiver.append(request(), episode, handed_over())
    assert tasks(receiver, episode)["due-round"]["status"] == "requested"
    assert tasks(receiver, episode)["due-removal"]["status"] == "requested"
    assert [one["status"] for one in flags(receiver, episode)] == ["active"]
    assert tasks(receiver, episode)["due-round"]["owner"]["identifier"]["value"] == THERE
    assert receiver.snapshot(ALL, episode).state(as_of=START + timedelta(hours=12)).copy.word == "custodian"
    assert receiver.rebuild(request()) == 0
    assert Intake(receiver.store, Protocol.default()).rebuild(request()) == 0  # the row remembers, not the setting
    _, receipt = receiver.transaction(request(), sent(sender, episode))
    assert {one.reference.partition("/")[0] for one in receipt.ignored} >= {"Task", "Flag"}


def test_one_service_for_both_facilities_keeps_what_is_due(services: Callable[..., Intake]) -> None:
    both = services(HERE, THERE)
    episode = opened(both)
    both.append(request(), episode, [*told(), *handed_over()])
    assert tasks(both, episode)["due-round"]["status"] == "requested"
    assert [one["status"] for one in flags(both, episode)] == ["active"]


def test_an_acceptance_that_names_no_facility_goes_where_the_journey_went(services: Callable[..., Intake]) -> None:
    sender = services()
    episode = opened(sender)
    leaving, arrived, accepted = handed_over()
    del accepted["facility"]
    sender.append(request(), episode, [*told(), leaving, arrived, accepted])
    assert sender.snapshot(ALL, episode).copy.custodian == THERE
    handover = services()
    episode = opened(handover)
    handover.append(request(), episode, [*told(), entry("custody", "03:00", answer="accepted")])
    assert handover.snapshot(ALL, episode).copy.custodian == HERE  # within the house


@pytest.mark.parametrize(("stated", "status"), [(True, "inactive"), (False, "active")])
def test_a_partners_case_is_kept_here_unless_it_states_another_facility(
    services: Callable[..., Intake], stated: bool, status: str
) -> None:
    intake = services(THERE)
    resources = [one for one in case() if one["resourceType"] != "MedicationAdministration"]
    resources[1]["status"] = "in-progress"
    if not stated:
        del resources[1]["performer"]
    _, receipt = intake.transaction(request(), transaction(resources))
    assert receipt.episode is not None
    assert [one["status"] for one in flags(intake, receipt.episode)] == [status]
    assert intake.rebuild(request()) == 0


def test_a_woman_who_arrived_with_a_balloon_has_a_flag_before_its_placement_is_known(intake: Intake) -> None:
    episode = opened(intake, arrived_with_balloon="yes")
    assert [one["status"] for one in flags(intake, episode)] == ["active"]
    intake.append(request(), episode, [entry("placement", "01:30", elsewhere="other-facility")])
    [flag] = flags(intake, episode)
    assert flag["period"]["start"] == "2026-03-01T01:30:00Z"
    assert intake.rebuild(request()) == 0


def test_the_device_in_use_is_that_of_a_corrected_preparation(intake: Intake) -> None:
    episode = opened(intake)
    made = entry("balloon-preparation", "02:05", device="purpose-made")
    placed = entry("placement", "02:11", preparation=made["id"])
    mended = entry("balloon-preparation", "02:05", device="purpose-made", size="M", corrects=made["id"], reason="size")
    intake.append(request(), episode, [made, placed, mended])
    use = intake.snapshot(ALL, episode).assembled[f"DeviceUseStatement/{placed['id']}.use"]
    assert use.body is not None
    assert use.body["device"] == {"reference": f"Device/{made['id']}.device"}
