"""What cannot be read makes incomplete exactly what it could have changed: the state, its lines, the stored values."""

import json
from datetime import UTC, datetime, timedelta
from typing import Any

from fhirmod.intake import Intake

from . import partner
from .case import ALL, entry, request

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def sent(intake: Intake, *further: dict[str, Any]) -> str:
    _, receipt = intake.transaction(request(), partner.transaction([*partner.case(), *further]))
    assert receipt.episode is not None
    return receipt.episode


def state(intake: Intake, episode: str, **when: datetime) -> dict[str, Any]:
    snapshot = intake.snapshot(ALL, episode)
    return snapshot.state(**{"as_of": NOW, **when}).document()


def line(document: dict[str, Any], name: str) -> str:
    [found] = [one for one in document["seven_lines"] if one["name"] == name]
    return "; ".join(f"{part['name']} {part['value']}" for part in found["parts"])


def status(intake: Intake, episode: str, measure: str) -> str:
    version = intake.store.read(lambda reader: reader.get(ALL, "Observation", f"{episode}.{measure}"))
    assert version is not None
    return str(json.loads(version.body or b"")["status"])


def drug(code: str = "X-77") -> dict[str, Any]:
    return {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": partner.coded("urn:example:drugs", code),
        "subject": {"reference": partner.PATIENT},
        "partOf": [{"reference": partner.ANCHOR}],
        "effectiveDateTime": "2026-03-01T02:50:00+01:00",
    }


def loss(**value: Any) -> dict[str, Any]:
    return partner.observation(
        partner.coded("urn:example:local", "LOSS"), "04:00", valueQuantity=partner.milli(90) | value
    )


def test_a_case_that_is_all_read_is_complete(intake: Intake) -> None:
    episode = sent(intake)
    document = state(intake, episode)
    assert document["incomplete"] == []
    assert not any("incomplete" in line(document, one["name"]) for one in document["seven_lines"])
    assert status(intake, episode, "blood-loss-measured") == "final"


def test_an_unknown_drug_leaves_what_was_given_incomplete_and_the_balloon_not(intake: Intake) -> None:
    document = state(intake, sent(intake, drug()))
    assert {"txa", "resuscitation"} <= set(document["incomplete"])
    assert not {"balloons", "loss", "haemodynamics"} & set(document["incomplete"])
    assert line(document, "given").endswith("(resuscitation, txa)")
    assert "incomplete" not in line(document, "balloon")


def test_an_unknown_volume_leaves_the_stored_sums_preliminary_until_it_can_be_read(intake: Intake) -> None:
    episode = sent(intake, loss())
    assert {"loss", "balloons"} <= set(state(intake, episode)["incomplete"])
    assert status(intake, episode, "blood-loss-measured") == "preliminary"
    assert intake.rebuild(request()) == 0
    [reference] = [one.reference for one in intake.snapshot(ALL, episode).unread]
    id_ = reference.removeprefix("Observation/")
    version = intake.store.read(lambda reader: reader.get(ALL, "Observation", id_))
    assert version is not None
    text = (version.body or b"").replace(b"urn:example:local", b"http://loinc.org").replace(b'"LOSS"', b'"81661-1"')
    before = datetime.fromisoformat(version.updated)
    intake.update(request(), "Observation", id_, text)
    assert state(intake, episode)["incomplete"] == []
    assert status(intake, episode, "blood-loss-measured") == "final"
    assert "loss" in state(intake, episode, known_at=before + timedelta(milliseconds=1))["incomplete"]
    assert intake.rebuild(request()) == 0


def test_a_bedside_entry_leaves_what_is_unread_unread(intake: Intake) -> None:
    episode = sent(intake, loss())
    intake.append(request(), episode, [entry("blood-loss", "03:30", method="drape", volume_ml=50)])
    assert status(intake, episode, "blood-loss-measured") == "preliminary"
    assert "loss" in state(intake, episode)["incomplete"]
    assert intake.rebuild(request()) == 0


def test_what_happened_later_than_asked_about_changes_nothing(intake: Intake) -> None:
    episode = sent(intake, loss())
    early = datetime(2026, 3, 1, 2, 30, tzinfo=UTC)  # before 04:00+01:00
    assert "loss" not in state(intake, episode, as_of=early)["incomplete"]


def test_what_was_not_done_leaves_nothing_incomplete(intake: Intake) -> None:
    assert (
        state(intake, sent(intake, {**drug(), "status": "not-done"}, loss() | {"status": "cancelled"}))["incomplete"]
        == []
    )


def test_a_stay_of_a_partner_is_where_not_what(intake: Intake) -> None:
    stay = {
        "resourceType": "Encounter",
        "status": "finished",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": partner.PATIENT},
    }
    _, receipt = intake.transaction(request(), partner.transaction([*partner.case(), stay]))
    assert receipt.unread == ()
