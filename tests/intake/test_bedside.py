"""Bedside entries through the one path of every write."""

from concurrent.futures import ThreadPoolExecutor
from decimal import Decimal

import pytest

from fhirmod.errors import ConflictError, InvalidError, NotFoundError
from fhirmod.intake import Intake
from fhirmod.r4 import parse

from .case import ALL, entry, new_id, opened, request, told


def standing(intake: Intake, episode: str, kind: str) -> list[object]:
    return [one for one in intake.snapshot(ALL, episode).episode.standing() if one.kind == kind]


def body(intake: Intake, type_: str, id_: str) -> dict[str, object]:
    version = intake.store.read(lambda reader: reader.get(ALL, type_, id_))
    assert version is not None
    assert version.body is not None
    return dict(parse(version.body))


def test_a_correction_in_the_same_queue_that_adds_a_result_before_the_others_is_read_back_as_two(
    intake: Intake,
) -> None:
    episode = opened(intake)
    first = entry("laboratory", "02:30", platelets_10e9_l=90, lactate_mmol_l=3)
    second = {**first, "id": new_id(), "corrects": first["id"], "reason": "all of them", "haemoglobin_g_dl": 8}
    intake.append(request(), episode, [first, second])
    cold = Intake(intake.store, intake.protocol).snapshot(ALL, episode)
    assert set(cold.episode.by_id) == set(intake.snapshot(ALL, episode).episode.by_id)
    assert cold.episode.standing() == intake.snapshot(ALL, episode).episode.standing()


def test_facility_and_time_alone_open_an_episode(intake: Intake) -> None:
    snapshot, result = intake.open(request(), {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"})
    assert result.status == "accepted"
    assert body(intake, "Procedure", f"{snapshot.row.id}.anchor")["status"] == "preparation"
    assert snapshot.row.protocol.startswith(intake.protocol.id)


def test_opening_again_with_the_same_id_changes_nothing(intake: Intake) -> None:
    document = {"id": new_id(), "facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    first, _ = intake.open(request(), document)
    again, result = intake.open(request(), document)
    assert (result.status, again.row) == ("repeat", first.row)
    with pytest.raises(ConflictError, match="opened with other words"):
        intake.open(request(), {**document, "facility": {"id": "clinic-8"}})


def test_an_opening_without_facility_says_what_is_missing(intake: Intake) -> None:
    with pytest.raises(InvalidError) as wrong:
        intake.open(request(), {"at": "2026-03-01T02:00:00Z"})
    assert [one.sentence for one in wrong.value.findings] == [
        "The opening entry needs the field facility; it was not given."
    ]


def test_a_refused_entry_does_not_hold_back_the_others_and_is_held_for_repair(intake: Intake) -> None:
    episode = opened(intake)
    queue = [
        entry("fill", "02:12", volume_ml=50),
        entry("fill", "02:13", volume=50),
        entry("fill", "02:14", volume_ml=60),
    ]
    receipt = intake.append(request(), episode, queue)
    assert [one.status for one in receipt.entries] == ["accepted", "refused", "accepted"]
    assert 'The fill entry has no field volume; did you mean "volume_ml"?' in receipt.entries[1].findings[0].sentence
    held = intake.store.read(lambda reader: reader.held(ALL, episode))
    assert [(row.entry_id, parse(row.body)) for row in held] == [(queue[1]["id"], queue[1])]
    repaired = {**queue[1], "volume_ml": 50}
    del repaired["volume"]
    assert intake.append(request(), episode, [repaired]).entries[0].status == "accepted"
    assert intake.store.read(lambda reader: reader.held(ALL, episode)) == []


def test_an_atomic_queue_is_taken_whole_or_not_at_all(intake: Intake) -> None:
    episode = opened(intake)
    before = intake.snapshot(ALL, episode).row
    with pytest.raises(InvalidError):
        intake.append(request(), episode, [entry("fill", "02:12", volume_ml=50), {"kind": "fill"}], atomic=True)
    assert intake.snapshot(ALL, episode).row == before


def test_a_dry_run_answers_and_leaves_nothing(intake: Intake) -> None:
    episode = opened(intake)
    receipt = intake.append(request(dry_run=True), episode, told())
    assert {one.status for one in receipt.entries} == {"accepted"}
    assert receipt.dry_run
    assert len(intake.snapshot(ALL, episode).episode.received) == 1


def test_a_repeat_is_recognised_and_a_conflict_named(intake: Intake) -> None:
    episode = opened(intake)
    fill = entry("fill", "02:12", volume_ml=50)
    intake.append(request(), episode, [fill])
    receipt = intake.append(request(), episode, [fill, {**fill, "volume_ml": 60}])
    assert [one.status for one in receipt.entries] == ["repeat", "conflict"]
    assert "a new entry needs a new id" in receipt.entries[1].findings[0].sentence


def test_a_correction_is_a_new_version_of_the_same_resource(intake: Intake) -> None:
    episode = opened(intake)
    vitals = entry("vital-signs", "02:15", pulse_per_min=124, systolic_mmhg=92, diastolic_mmhg=50)
    intake.append(request(), episode, [vitals])
    correction = {
        **vitals,
        "id": new_id(),
        "corrects": vitals["id"],
        "reason": "misread",
        "pulse_per_min": 114,
    }
    del correction["diastolic_mmhg"], correction["systolic_mmhg"]
    intake.append(request(), episode, [correction])
    pulse = body(intake, "Observation", f"{vitals['id']}.heart-rate")
    assert (pulse["status"], pulse["valueQuantity"]["value"]) == ("corrected", 114)  # type: ignore[index]
    assert body(intake, "Observation", f"{vitals['id']}.blood-pressure")["status"] == "entered-in-error"
    gone = intake.store.read(lambda reader: reader.get(ALL, "Observation", f"{vitals['id']}.shock-index"))
    assert gone is not None
    assert gone.body is None
    assert intake.rebuild(request()) == 0


def test_of_two_corrections_the_later_recorded_stands_whatever_arrives_last(intake: Intake) -> None:
    episode = opened(intake)
    fill = entry("fill", "02:12", volume_ml=50)
    late = {
        **fill,
        "id": new_id(),
        "corrects": fill["id"],
        "reason": "r",
        "volume_ml": 60,
        "recorded_at": "2026-03-01T05:00:00Z",
    }
    early = {**late, "id": new_id(), "volume_ml": 70, "recorded_at": "2026-03-01T04:30:00Z"}
    for one in (fill, late, early):
        assert intake.append(request(), episode, [one]).entries[0].status == "accepted"
    [stands] = standing(intake, episode, "fill")
    assert stands.id == late["id"]  # type: ignore[attr-defined]
    assert body(intake, "Observation", f"{fill['id']}.fill")["valueQuantity"]["value"] == 60  # type: ignore[index]
    assert intake.rebuild(request()) == 0


def test_a_correction_that_arrives_first_waits_for_its_original(intake: Intake) -> None:
    episode = opened(intake)
    fill = entry("fill", "02:12", volume_ml=50)
    correction = {**fill, "id": new_id(), "corrects": fill["id"], "reason": "sixty", "volume_ml": 60}
    assert intake.append(request(), episode, [correction]).entries[0].status == "waiting"
    assert standing(intake, episode, "fill") == []
    receipt = intake.append(request(), episode, [fill])
    assert [one.status for one in (*receipt.entries, *receipt.released)] == ["accepted", "accepted"]
    [stands] = standing(intake, episode, "fill")
    assert stands.id == correction["id"]  # type: ignore[attr-defined]
    assert intake.rebuild(request()) == 0


def test_a_correction_may_not_change_the_kind(intake: Intake) -> None:
    episode = opened(intake)
    fill = entry("fill", "02:12", volume_ml=50)
    other = entry("withdrawal", "02:12", volume_ml=50, purpose="check", corrects=fill["id"], reason="was out")
    receipt = intake.append(request(), episode, [fill, other])
    assert receipt.entries[1].status == "refused"
    assert "a correction keeps the kind" in receipt.entries[1].findings[0].sentence


def test_a_retraction_takes_the_chain_back_and_can_be_undone(intake: Intake) -> None:
    episode = opened(intake)
    fill = entry("fill", "02:12", volume_ml=50)
    correction = {**fill, "id": new_id(), "corrects": fill["id"], "reason": "r", "volume_ml": 60}
    retraction = entry("retraction", "02:20", retracts=fill["id"], reason="another woman", cause="wrong-woman")
    intake.append(request(), episode, [fill, correction, retraction])
    assert standing(intake, episode, "fill") == []
    assert body(intake, "Observation", f"{fill['id']}.fill")["status"] == "entered-in-error"
    targets = body(intake, "Provenance", f"{retraction['id']}.retraction")["target"]
    assert targets == [{"reference": f"Observation/{fill['id']}.fill"}]
    undo = entry("retraction", "02:21", retracts=retraction["id"], reason="it was her", cause="undo")
    intake.append(request(), episode, [undo])
    assert [one.id for one in standing(intake, episode, "fill")] == [correction["id"]]  # type: ignore[attr-defined]
    assert body(intake, "Observation", f"{fill['id']}.fill")["status"] == "corrected"
    assert intake.rebuild(request()) == 0


def test_a_device_problem_taken_back_is_deleted_since_r4_gives_it_no_status(intake: Intake) -> None:
    episode = opened(intake)
    problem = entry("device-problem", "02:30", problem="leak")
    intake.append(request(), episode, [problem])
    intake.append(request(), episode, [entry("retraction", "02:31", retracts=problem["id"], reason="no leak")])
    version = intake.store.read(lambda reader: reader.get(ALL, "AdverseEvent", f"{problem['id']}.device-problem"))
    assert version is not None
    assert (version.version, version.body) == (2, None)
    assert standing(intake, episode, "device-problem") == []
    assert intake.rebuild(request()) == 0


def test_the_same_act_from_two_recorders_is_asked_about(intake: Intake) -> None:
    episode = opened(intake)
    first = entry("fill", "02:12", volume_ml=50, recorded_by={"id": "m1"})
    second = {**first, "id": new_id(), "recorded_by": {"id": "m2"}}
    intake.append(request(), episode, [first])
    receipt = intake.append(request(), episode, [second])
    assert receipt.entries[0].status == "ask"
    assert intake.append(request(), episode, [second], distinct=True).entries[0].status == "accepted"


def test_a_second_opening_and_an_unknown_episode_are_refused(intake: Intake) -> None:
    episode = opened(intake)
    receipt = intake.append(request(), episode, [entry("opening", "02:00", facility={"id": "x"})])
    assert receipt.entries[0].status == "refused"
    with pytest.raises(NotFoundError, match="open it first"):
        intake.append(request(), new_id(), [entry("fill", "02:12", volume_ml=50)])


def test_a_sign_off_closes_the_record_and_a_later_entry_reopens_it(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, [*told(), entry("sign-off", "05:00", performed_by={"id": "d1"})])
    listed = intake.store.read(lambda reader: reader.episodes(ALL, "open"))
    assert (intake.snapshot(ALL, episode).row.status, listed) == ("closed", [])
    late = entry("note", "05:10", text="the drape was read again", recorded_at="2026-03-02T05:10:00Z")
    intake.append(request(), episode, [late])
    assert [row.id for row in intake.store.read(lambda reader: reader.episodes(ALL, "open"))] == [episode]


def test_twenty_writers_on_one_episode_lose_nothing(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    queues = [[entry("blood-loss", "03:00", method="drape", volume_ml=10) for _ in range(5)] for _ in range(20)]
    asked = [request() for _ in range(100)]

    def write(number: int) -> None:
        for index, one in enumerate(queues[number]):
            intake.append(asked[number * 5 + index], episode, [one], distinct=True)

    with ThreadPoolExecutor(20) as pool:
        list(pool.map(write, range(20)))
    assert len(standing(intake, episode, "blood-loss")) == 101
    assert body(intake, "Observation", f"{episode}.blood-loss-measured")["valueQuantity"]["value"] == 1450  # type: ignore[index]
    assert intake.rebuild(request()) == 0


def test_a_doubtful_device_identifier_is_accepted_and_said_in_the_receipt(intake: Intake) -> None:
    episode = opened(intake)
    scanned = entry("placement", "02:05", udi="]C1010081234567890210A1\x1d21X")
    receipt = intake.append(request(), episode, [scanned])
    [result] = receipt.entries
    assert result.status == "accepted"
    assert [(one.severity, one.code, one.tier) for one in result.findings] == [
        ("warning", "record-udi-check-digit", "review")
    ]
    [device] = [one for one in result.resources if one.startswith("Device/")]
    assert body(intake, "Device", device.removeprefix("Device/"))["lotNumber"] == "A1"


def test_a_sum_that_gains_only_a_digit_is_written_anew(intake: Intake) -> None:
    episode = opened(intake)
    intake.append(request(), episode, [entry("placement", "02:11"), entry("fill", "02:12", volume_ml=50)])
    nothing = entry("fill", "02:13", volume_ml=Decimal("0.0"))
    assert intake.append(request(), episode, [nothing]).entries[0].status == "accepted"
    assert intake.rebuild(request()) == 0
