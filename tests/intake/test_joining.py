"""What belongs together comes together: in any order of requests, through merged Patients, in more than one episode."""

import json
from itertools import permutations
from typing import Any

import pytest

from fhirmod.intake import Intake

from . import partner
from .case import ALL, entry, new_id, request

DEVICE = {
    "resourceType": "Device",
    "id": "d1",
    "type": partner.coded(partner.OWN, "tamponade-balloon"),
    "lotNumber": "L-4",
}
ANCHOR = {
    "resourceType": "Procedure",
    "id": "a1",
    "status": "completed",
    "code": partner.coded(partner.OWN, "uterine-balloon-tamponade"),
    "subject": {"reference": "Patient/p1"},
}
PLACED = {
    "resourceType": "Procedure",
    "id": "pl1",
    "status": "completed",
    "code": partner.coded(partner.OWN, "placement"),
    "subject": {"reference": "Patient/p1"},
    "partOf": [{"reference": "Procedure/a1"}],
    "performedDateTime": "2026-03-01T03:00:00Z",
    "focalDevice": [{"manipulated": {"reference": "Device/d1"}}],
}
PATIENT = {"resourceType": "Patient", "id": "p1"}


def observation(id_: str, at: str, ml: int, link: str = "Procedure/a1", subject: str = "Patient/p1") -> dict[str, Any]:
    made = partner.observation(partner.coded(partner.LOINC, "81661-1"), at, valueQuantity=partner.milli(ml))
    return {**made, "id": id_, "subject": {"reference": subject}, "partOf": [{"reference": link}]}


def put(intake: Intake, resource: dict[str, Any]) -> Any:
    return intake.update(request(), resource["resourceType"], resource["id"], json.dumps(resource).encode())


def episodes(intake: Intake) -> list[str]:
    return [row.id for row in intake.store.read(lambda reader: reader.episodes(ALL))]


def said(intake: Intake, episode: str) -> list[dict[str, Any]]:
    documents = [one.document() for one in intake.snapshot(ALL, episode).episode.standing()]
    return [
        {name: value for name, value in one.items() if name not in ("id", "recorded_at", "corrects", "reason")}
        for one in documents
        if one["kind"] != "opening"
    ]


CASE: list[dict[str, Any]] = [
    ANCHOR,
    PLACED,
    DEVICE,
    observation("o1", "02:10", 300),
    observation("o2", "03:40", 150, "Procedure/pl1"),
]


@pytest.mark.parametrize("order", list(permutations(range(5)))[::7])
def test_any_order_of_requests_gives_the_same_record(intake: Intake, order: tuple[int, ...]) -> None:
    put(intake, PATIENT)
    for number in order:
        put(intake, CASE[number])
    [episode] = episodes(intake)
    found = said(intake, episode)
    assert [one["kind"] for one in found] == ["blood-loss", "blood-loss", "placement"]
    assert found[2]["lot"] == "L-4"
    assert intake.snapshot(ALL, episode).unread == ()
    assert {key.measure: pair[0] for key, pair in intake.snapshot(ALL, episode).summary.items()}[
        "blood-loss-measured"
    ] == 450
    assert (
        Intake(intake.store, intake.protocol).snapshot(ALL, episode).episode.standing()
        == intake.snapshot(ALL, episode).episode.standing()
    )
    assert intake.rebuild(request()) == 0


def test_what_has_only_the_same_woman_never_joins(intake: Intake) -> None:
    put(intake, PATIENT)
    alone = observation("o9", "02:10", 300)
    del alone["partOf"]
    put(intake, alone)
    put(intake, ANCHOR)
    [episode] = episodes(intake)
    assert said(intake, episode) == []


def test_a_resource_that_references_two_anchors_is_in_both_episodes(intake: Intake) -> None:
    put(intake, PATIENT)
    put(intake, ANCHOR)
    put(intake, {**ANCHOR, "id": "a2"})
    both = observation("o1", "02:10", 300)
    both["partOf"].append({"reference": "Procedure/a2"})
    put(intake, both)
    put(intake, {**both, "valueQuantity": partner.milli(310)})
    assert [[one["volume_ml"] for one in said(intake, episode)] for episode in episodes(intake)] == [[310], [310]]
    assert intake.rebuild(request()) == 0


def test_a_merged_womans_episode_follows_the_patient_that_stays(intake: Intake) -> None:
    put(intake, PATIENT)
    put(intake, {**PATIENT, "id": "p2"})
    put(intake, ANCHOR)
    put(intake, observation("o1", "02:10", 300))
    [episode] = episodes(intake)
    put(intake, {**PATIENT, "link": [{"other": {"reference": "Patient/p2"}, "type": "replaced-by"}]})
    context = intake.snapshot(ALL, episode).context
    assert context.subject == "Patient/p2"
    assert context.subjects == {"Patient/p1", "Patient/p2"}
    put(intake, observation("o2", "02:40", 50, subject="Patient/p2"))
    intake.append(request(), episode, [entry("blood-loss", "03:00", method="drape", volume_ml=5)])
    assert [one["volume_ml"] for one in said(intake, episode)] == [300, 50, 5]
    stored = intake.store.read(lambda reader: reader.get(ALL, "Observation", f"{episode}.blood-loss-measured"))
    assert stored is not None
    assert json.loads(stored.body or b"")["subject"] == {"reference": "Patient/p2"}
    assert intake.rebuild(request()) == 0


def test_the_merge_may_be_said_by_either_patient_and_before_the_case(intake: Intake) -> None:
    put(intake, PATIENT)
    put(intake, {**PATIENT, "id": "p2", "link": [{"other": {"reference": "Patient/p1"}, "type": "replaces"}]})
    put(intake, ANCHOR)
    put(intake, observation("o2", "02:40", 50, subject="Patient/p2"))
    [episode] = episodes(intake)
    assert [one["volume_ml"] for one in said(intake, episode)] == [50]
    assert intake.snapshot(ALL, episode).context.subject == "Patient/p2"


def test_a_result_corrected_to_another_woman_is_taken_back_here_and_both_are_told(intake: Intake) -> None:
    put(intake, PATIENT)
    put(intake, {**PATIENT, "id": "p2"})
    put(intake, ANCHOR)
    put(intake, {**ANCHOR, "id": "a2", "subject": {"reference": "Patient/p2"}})
    put(intake, observation("o1", "02:10", 300))
    told = len(intake.store.read(lambda reader: reader.outgoing(ALL)))
    put(intake, observation("o1", "02:10", 300, "Procedure/a2", "Patient/p2"))
    by_anchor = {row.anchor_id: row.id for row in intake.store.read(lambda reader: reader.episodes(ALL))}
    assert said(intake, by_anchor["a1"]) == []
    assert [one["volume_ml"] for one in said(intake, by_anchor["a2"])] == [300]
    assert len(intake.store.read(lambda reader: reader.outgoing(ALL))) == told + 2
    assert intake.snapshot(ALL, by_anchor["a1"]).incomplete == frozenset()
    assert intake.rebuild(request()) == 0


HOSPITAL = [{"system": "urn:oid:2.999.7", "value": "UBT-5"}]
WOMAN = [{"system": "urn:oid:2.999.1", "value": "W-17"}]


def halves(intake: Intake, *, same_case: bool, same_woman: bool) -> Any:
    """Send the two halves of a case, each with its own ids; return what became of the second anchor."""
    put(intake, {**PATIENT, "identifier": WOMAN})
    put(intake, {**ANCHOR, "identifier": HOSPITAL, "performedDateTime": "2026-03-01T03:00:00Z"})
    put(intake, observation("o1", "02:10", 300))
    put(intake, {**PATIENT, "id": "p2"} | ({"identifier": WOMAN} if same_woman else {}))
    second = {**ANCHOR, "id": "a2", "subject": {"reference": "Patient/p2"}, "performedDateTime": "2026-03-01T09:00:00Z"}
    written = put(intake, second | ({"identifier": HOSPITAL} if same_case else {}))
    put(intake, observation("o2", "09:10", 40, "Procedure/a2", "Patient/p2"))
    assert intake.rebuild(request()) == 0
    return written


def test_two_halves_with_one_anchor_identifier_of_one_woman_are_one_episode(intake: Intake) -> None:
    written = halves(intake, same_case=True, same_woman=True)
    [episode] = episodes(intake)
    assert [one["volume_ml"] for one in said(intake, episode)] == [300, 40]
    assert written.receipt.findings == ()


def test_likely_halves_are_told_and_not_joined(intake: Intake) -> None:
    [finding] = halves(intake, same_case=False, same_woman=True).receipt.findings
    assert finding.code == "likely-the-same"
    assert finding.sentence.endswith("nothing was joined: a person decides.")
    assert [[one["volume_ml"] for one in said(intake, one)] for one in reversed(episodes(intake))] == [[300], [40]]


def test_one_anchor_identifier_for_two_women_joins_nothing(intake: Intake) -> None:
    assert halves(intake, same_case=True, same_woman=False).receipt.findings == ()
    assert len(episodes(intake)) == 2


def test_a_bedside_correction_that_waited_is_taken_in_when_its_original_arrives_as_fhir(intake: Intake) -> None:
    put(intake, PATIENT)
    put(intake, ANCHOR)
    [episode] = episodes(intake)
    original = new_id()
    loss = entry("blood-loss", "02:10", method="drape", volume_ml=350, corrects=original, reason="read again")
    [waiting] = intake.append(request(), episode, [loss]).entries
    assert waiting.status == "waiting"
    resource = observation("o1", "02:10", 300)
    resource["identifier"] = [{"system": "https://fhirmod.example.org/fhir/NamingSystem/entry-id", "value": original}]
    [released] = put(intake, resource).receipt.released
    assert (released.id, released.status) == (loss["id"], "accepted")
    assert [one["volume_ml"] for one in said(intake, episode)] == [350]
    assert intake.store.read(lambda reader: reader.held(ALL, episode)) == []
    assert intake.rebuild(request()) == 0
