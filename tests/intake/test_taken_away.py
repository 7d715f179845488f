"""Deletes and patches down the one path: what becomes of the entries, and that a rebuild changes nothing.

Source: http://hl7.org/fhir/R4/http.html#delete, #patch, #trules; the meaning of a deleted image is our own design.
"""

import json
from typing import Any

import pytest

from fhirmod.errors import BusinessRuleError, ConflictError, GoneError, InvalidError, NotFoundError
from fhirmod.intake import Intake
from fhirmod.r4 import dump, parse

from . import partner
from .case import ALL, entry, opened, request, told
from .test_exchanged import retractions, stored, told_volume


def vitals(intake: Intake, episode: str) -> Any:
    return next((one for one in intake.snapshot(ALL, episode).episode.standing() if one.kind == "vital-signs"), None)


def cold(intake: Intake) -> Intake:
    return Intake(intake.store, intake.protocol)


def test_deleting_the_image_of_an_entry_retracts_it_and_putting_it_back_undoes_that(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    fill = f"{queue[5]['id']}.fill"
    text = stored(intake, "Observation", fill)
    gone = intake.delete(request(), "Observation", fill, if_match='W/"1"')
    assert gone.version is not None
    assert (gone.written, gone.version.body, gone.version.version) == (True, None, 2)
    assert told_volume(intake, episode) == [50]
    assert len(retractions(intake, episode)) == 1
    assert told_volume(cold(intake), episode) == [50]
    assert intake.rebuild(request()) == 0
    assert not intake.delete(request(), "Observation", fill).written
    assert intake.update(request(), "Observation", fill, text).created
    assert told_volume(intake, episode) == told_volume(cold(intake), episode) == [50, 50]
    assert intake.rebuild(request()) == 0


def test_deleting_one_of_an_entrys_images_corrects_it(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    intake.delete(request(), "Observation", f"{queue[7]['id']}.heart-rate")
    assert (vitals(intake, episode).pulse_per_min, vitals(intake, episode).systolic_mmhg) == (None, 92)
    assert vitals(cold(intake), episode) == vitals(intake, episode)
    index = f"{queue[7]['id']}.shock-index"
    [gone, *_] = intake.store.read(lambda reader: reader.history(ALL, "Observation", index))
    assert gone.body is None
    assert intake.rebuild(request()) == 0


def test_a_retraction_that_is_deleted_is_undone(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    back = entry("retraction", "03:00", retracts=queue[5]["id"], reason="slip")
    intake.append(request(), episode, [back])
    assert told_volume(intake, episode) == [50]
    image = stored(intake, "Provenance", f"{back['id']}.retraction")
    intake.delete(request(), "Provenance", f"{back['id']}.retraction")
    assert told_volume(intake, episode) == told_volume(cold(intake), episode) == [50, 50]
    assert intake.rebuild(request()) == 0
    intake.update(request(), "Provenance", f"{back['id']}.retraction", image)
    assert told_volume(intake, episode) == told_volume(cold(intake), episode) == [50]
    assert intake.rebuild(request()) == 0


@pytest.mark.parametrize(
    ("type_", "part", "says"),
    [
        ("Observation", "blood-loss-measured", "post the entry that changes it"),
        ("Procedure", "anchor", "post a placement, removal or decision entry instead"),
        ("Encounter", "encounter", "opens an episode and stays as long as that does; retract its entries"),
    ],
)
def test_what_is_not_a_clients_is_not_deleted_or_patched_not_even_in_a_transaction(
    intake: Intake, type_: str, part: str, says: str
) -> None:
    episode = opened(intake)
    intake.append(request(), episode, told())
    before = stored(intake, type_, f"{episode}.{part}")
    with pytest.raises(BusinessRuleError, match=says):
        intake.delete(request(), type_, f"{episode}.{part}")
    delete = {"request": {"method": "DELETE", "url": f"{type_}/{episode}.{part}"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [delete]}
    with pytest.raises(BusinessRuleError, match=says) as wrong:
        intake.transaction(request(), dump(bundle))
    assert [one.place for one in wrong.value.findings] == ["Bundle.entry[0].resource"]
    if type_ != "Encounter":
        with pytest.raises(BusinessRuleError, match=says):
            intake.patch(request(), type_, f"{episode}.{part}", [{"op": "add", "path": "/language", "value": "en"}])
    assert stored(intake, type_, f"{episode}.{part}") == before


def test_a_patient_who_is_referred_to_stays_and_a_whole_case_can_go(intake: Intake) -> None:
    written, receipt = intake.transaction(request(), partner.transaction())
    references = [one.reference for one in written]
    with pytest.raises(ConflictError, match="is still referred to by 8 resources"):
        intake.delete(request(), *references[0].split("/"))
    with pytest.raises(ConflictError, match="is the whole of which 7 entries that stand are parts"):
        intake.delete(request(), *references[1].split("/"))
    assert receipt.episode is not None
    assert len(intake.snapshot(ALL, receipt.episode).episode.standing()) > 1
    every = [{"request": {"method": "DELETE", "url": one}} for one in references]
    intake.transaction(request(), dump({"resourceType": "Bundle", "type": "transaction", "entry": every}))
    for one in references:
        version = intake.store.read(lambda reader, one=one: reader.get(ALL, *one.split("/")))  # type: ignore[misc]
        assert version.body is None
    assert {one.kind for one in intake.snapshot(ALL, receipt.episode).episode.standing()} == {"opening"}
    assert intake.rebuild(request()) == 0


def test_a_patch_of_an_image_is_a_correction_and_keeps_every_digit(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    fill = f"{queue[5]['id']}.fill"
    patch = b'[{"op":"test","path":"/valueQuantity/value","value":50},{"op":"replace","path":"/valueQuantity/value","value":60.50}]'
    written = intake.patch(request(), "Observation", fill, parse(patch), if_match='W/"1"')
    assert written.version is not None
    assert b'"value":60.50,' in (written.version.body or b"")
    assert [str(one) for one in told_volume(intake, episode)] == ["60.50", "50"]
    assert intake.rebuild(request()) == 0
    parameters = {
        "resourceType": "Parameters",
        "parameter": [
            {
                "name": "operation",
                "part": [
                    {"name": "type", "valueCode": "replace"},
                    {"name": "path", "valueString": "Observation.value.value"},
                    {"name": "value", "valueDecimal": 55},
                ],
            }
        ],
    }
    intake.patch(request(), "Observation", fill, parameters)
    assert told_volume(intake, episode) == [55, 50]
    assert intake.rebuild(request()) == 0


def test_a_patch_that_does_not_apply_or_makes_something_else_changes_nothing(intake: Intake) -> None:
    intake.update(request(), "Patient", "p", b'{"resourceType":"Patient","id":"p","gender":"female"}')
    for patch, error, says in (
        (b'[{"op":"remove","path":"/birthDate"}]', InvalidError, "points to what is not there"),
        (b'[{"op":"replace","path":"/gender","value":"woman"}]', InvalidError, "is not valid FHIR R4"),
        (b'[{"op":"replace","path":"/id","value":"q"}]', BusinessRuleError, "a patch keeps what a resource is"),
        (b'[{"op":"replace","path":"/resourceType","value":"Group"}]', BusinessRuleError, "changes resourceType"),
    ):
        with pytest.raises(error, match=says):
            intake.patch(request(), "Patient", "p", parse(patch))
    same = intake.patch(request(), "Patient", "p", [{"op": "replace", "path": "/gender", "value": "female"}])
    assert same.version is not None
    assert (same.written, same.version.version) == (False, 1)
    with pytest.raises(NotFoundError, match="was never here; a patch needs what it changes"):
        intake.patch(request(), "Patient", "q", [])
    intake.delete(request(), "Patient", "p")
    with pytest.raises(GoneError, match="was deleted"):
        intake.patch(request(), "Patient", "p", [])
    assert intake.update(request(), "Patient", "p", b'{"resourceType":"Patient","id":"p"}').created


def test_references_to_our_own_address_are_kept_relative_and_others_as_they_are(intake: Intake) -> None:
    base = "http://here.example/fhir"
    asked = request()
    asked = type(asked)(asked.access, asked.now, asked.new_id, base=base)
    text = json.dumps(
        {
            "resourceType": "Observation",
            "status": "final",
            "code": {"text": "x"},
            "subject": {"reference": f"{base}/Patient/p"},
            "focus": [{"reference": f"{base}-other/Patient/p"}],
        }
    )
    written = intake.create(asked, "Observation", text.encode())
    assert written.version is not None
    body = parse(written.version.body or b"")
    assert body["subject"]["reference"] == "Patient/p"
    assert body["focus"][0]["reference"] == f"{base}-other/Patient/p"


def test_what_is_in_error_again_after_it_was_put_right_is_taken_back_again(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    for status, volumes in (("entered-in-error", [50]), ("final", [50, 50])) * 2:
        operations = [{"op": "replace", "path": "/status", "value": status}]
        intake.patch(request(), "Observation", f"{queue[5]['id']}.fill", operations)
        assert told_volume(intake, episode) == told_volume(cold(intake), episode) == volumes
    assert intake.rebuild(request()) == 0


def test_a_correction_at_the_bedside_of_what_a_client_took_back_does_not_bring_it_back(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    operations = [{"op": "replace", "path": "/status", "value": "entered-in-error"}]
    intake.patch(request(), "Observation", f"{queue[5]['id']}.fill", operations)
    again = entry("fill", "02:12", volume_ml=60, corrects=queue[5]["id"], reason="read again")
    intake.append(request(), episode, [again])
    assert told_volume(intake, episode) == told_volume(cold(intake), episode) == [50]
    assert intake.rebuild(request()) == 0
