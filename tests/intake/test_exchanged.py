"""Cases that come as FHIR: from another of us, and from a system that knows nothing of us."""

import json
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from fhirmod.compute import state
from fhirmod.episode import Fill
from fhirmod.errors import BusinessRuleError, InvalidError, PreconditionFailedError, UnreadableError
from fhirmod.exchange import case_bundle
from fhirmod.intake import Intake
from fhirmod.intake.putting import index, indexed
from fhirmod.intake.rebuilding import expected
from fhirmod.mapping import images
from fhirmod.r4 import check, parse

from . import partner
from .case import ALL, entry, new_id, opened, request, told

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
BASE = "http://127.0.0.1/fhir"


def exported(intake: Intake, episode: str, type_: Any = "transaction") -> bytes:
    return intake.store.read(lambda reader: case_bundle(reader, ALL, episode, BASE, type=type_))


def retractions(intake: Intake, episode: str) -> set[str]:
    received = intake.snapshot(ALL, episode).episode.received
    return {one.entry.id for one in received if one.entry.kind == "retraction"}


def told_state(intake: Intake, episode: str) -> dict[str, Any]:
    snapshot = intake.snapshot(ALL, episode)
    document = state(snapshot.episode, as_of=NOW, protocol=intake.protocol).document()
    del document["last_received"]  # when each service received it is its own
    del document["findings"]  # here both the entry and its correction are known; there only what stands was sent
    document["seven_lines"] = [one for one in document["seven_lines"] if one["name"] != "next"]
    return document


def told_volume(intake: Intake, episode: str) -> list[Any]:
    standing = intake.snapshot(ALL, episode).episode.standing()
    return [one.volume_ml for one in standing if isinstance(one, Fill)]


def stored(intake: Intake, type_: str, id_: str) -> bytes:
    version = intake.store.read(lambda reader: reader.get(ALL, type_, id_))
    assert version is not None
    assert version.body is not None
    return version.body


def complicated(intake: Intake) -> str:
    """Return an episode with a correction, a retraction, and an undone retraction."""
    episode = opened(intake, woman={"label": "woman, bed 3"}, drill=True)
    queue = told()
    intake.append(request(), episode, queue)
    fill, vitals, loss = queue[5], queue[7], queue[2]
    intake.append(
        request(),
        episode,
        [{**fill, "id": new_id(), "corrects": fill["id"], "reason": "60", "volume_ml": 60}],
    )
    intake.append(request(), episode, [entry("retraction", "03:00", retracts=vitals["id"], reason="other woman")])
    gone = entry("retraction", "03:01", retracts=loss["id"], reason="slip")
    intake.append(request(), episode, [gone, entry("retraction", "03:02", retracts=gone["id"], reason="no slip")])
    return episode


def test_a_case_sent_to_another_service_is_the_same_case_there(new_intake: Callable[[], Intake]) -> None:
    here, there = new_intake(), new_intake()
    episode = complicated(here)
    written, receipt = there.transaction(request(), exported(here, episode))
    assert receipt.episode == episode
    assert receipt.unread == ()
    assert len(written) == len(parse(exported(here, episode))["entry"])
    assert there.snapshot(ALL, episode).episode.standing() == here.snapshot(ALL, episode).episode.standing()
    assert told_state(there, episode) == told_state(here, episode)
    assert retractions(there, episode) == retractions(here, episode)
    assert there.rebuild(request()) == 0


def test_sending_it_again_changes_nothing_and_computed_values_never_count_twice(
    new_intake: Callable[[], Intake],
) -> None:
    here, there = new_intake(), new_intake()
    episode = complicated(here)
    there.transaction(request(), exported(here, episode))
    row, before = there.snapshot(ALL, episode).row, told_state(there, episode)
    written, receipt = there.transaction(request(), exported(here, episode))
    assert not any(one.written for one in written)
    assert there.snapshot(ALL, episode).row == row
    assert told_state(there, episode) == before
    assert {one.reference for one in receipt.ignored} >= {f"Observation/{episode}.blood-loss-measured"}


def test_every_resource_of_an_exported_case_is_valid_r4(intake: Intake) -> None:
    episode = complicated(intake)
    for type_ in ("collection", "transaction"):
        assert [one for one in check(parse(exported(intake, episode, type_))) if one.refuses] == []


def test_what_we_write_is_found_by_what_its_search_parameters_say(intake: Intake) -> None:
    episode = complicated(intake)
    snapshot = intake.snapshot(ALL, episode)
    own = [image for image, _ in expected(snapshot).values()]
    for one in snapshot.episode.standing():
        own += images(one, snapshot.context, root=snapshot.episode.chains.roots[one.id])
    for image in own:
        assert image.body is not None
        tokens, references = index(image.body)
        all_tokens, all_references = indexed(image.body)
        assert set(tokens) == set(all_tokens)
        assert set(references) == set(all_references)


def test_a_partners_case_becomes_an_episode_whose_state_is_right(intake: Intake) -> None:
    written, receipt = intake.transaction(request(), partner.transaction())
    assert all(one.created for one in written)
    kinds = sorted(one.kind for one in receipt.read)
    assert kinds == [
        "blood-loss",
        "blood-loss",
        "fill",
        "medication",
        "placement",
        "vital-signs",
        "vital-signs",
    ]
    assert receipt.episode is not None
    snapshot = intake.snapshot(ALL, receipt.episode)
    [opening] = [one for one in snapshot.episode.received if one.entry.kind == "opening"]
    assert opening.inferred
    assert opening.entry.facility.id == "district clinic"  # type: ignore[attr-defined]
    values = {key.measure: pair[0] for key, pair in snapshot.summary.items()}
    assert values["blood-loss-measured"] == Decimal(850)
    assert values["balloon-volume"] == Decimal(250)
    [oxytocin] = [one for one in snapshot.episode.standing() if one.kind == "medication"]
    assert oxytocin.given is False  # type: ignore[attr-defined]
    assert intake.rebuild(request()) == 0


def test_a_partners_text_is_stored_as_it_came_but_for_its_identity_and_links(intake: Intake) -> None:
    resource = partner.observation(partner.coded(partner.LOINC, "81661-1"), "02:40")
    text = json.dumps(resource, indent=3).replace(
        '"status"',
        '"valueQuantity": {"value": 1.50, "unit": "mL",\n "system": "http://unitsofmeasure.org", "code": "mL"}, "status"',
    )
    del resource["partOf"]
    loose = text.replace(f'"reference": "{partner.ANCHOR}"', '"reference": "Procedure/none"').replace(
        partner.PATIENT, "Patient/none"
    )
    written = intake.create(request(), "Observation", loose.encode())
    assert written.version is not None
    body = (written.version.body or b"").decode()
    assert '{"value": 1.50, "unit": "mL",\n "system"' in body
    assert json.loads(body)["meta"]["versionId"] == "1"
    assert written.receipt.unread[0].reason.startswith("it belongs to no tamponade")


def test_a_resource_inside_a_transaction_is_stored_as_it_came_too(intake: Intake) -> None:
    text = partner.transaction().replace(b'"value": 700', b'"value":   7.00e2').replace(b"on pads", b"on p\\u0061ds")
    written, _ = intake.transaction(request(), text)
    bodies = [one.version.body or b"" for one in written if one.version is not None]
    assert any(b'"value":   7.00e2,\n' in body for body in bodies)
    assert any(b"on p\\u0061ds" in body for body in bodies)
    assert intake.rebuild(request()) == 0


def test_a_case_that_comes_as_fhir_is_told_to_others_like_an_entry(intake: Intake) -> None:
    intake.transaction(request(), partner.transaction())
    [(_, row)] = intake.store.read(lambda reader: reader.outgoing(ALL))
    assert (row.topic, row.payload) == ("episode", b"1")


def test_no_urn_is_left_in_anything_stored(intake: Intake) -> None:
    written, _ = intake.transaction(request(), partner.transaction())
    assert [one for one in written if b"urn:uuid" in (one.version.body or b"")] == []  # type: ignore[union-attr]


def test_a_conditional_patient_is_created_once(intake: Intake) -> None:
    first, _ = intake.transaction(request(), partner.transaction(if_none_exist=True))
    second, _ = intake.transaction(request(), partner.transaction(if_none_exist=True))
    assert first[0].version == second[0].version
    assert (first[0].created, second[0].created) == (True, False)


def test_a_change_to_an_entrys_image_is_read_as_its_correction(intake: Intake) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    pulse = f"{queue[7]['id']}.heart-rate"
    text = stored(intake, "Observation", pulse).replace(b'"value":124', b'"value":114')
    written = intake.update(request(), "Observation", pulse, text, if_match='W/"1"')
    assert written.written
    [vitals] = [one for one in intake.snapshot(ALL, episode).episode.standing() if one.kind == "vital-signs"]
    assert (vitals.pulse_per_min, vitals.systolic_mmhg, vitals.reason) == (114, 92, "changed by its sender")  # type: ignore[attr-defined]
    index_now = json.loads(stored(intake, "Observation", f"{queue[7]['id']}.shock-index"))
    assert index_now["valueQuantity"]["value"] == 1.2391  # 114/92
    assert intake.rebuild(request()) == 0


def test_an_image_withdrawn_by_its_sender_retracts_the_entry_and_its_return_undoes_it(intake: Intake) -> None:
    _, receipt = intake.transaction(request(), partner.transaction())
    fill = next(one.reference for one in receipt.read if one.kind == "fill").removeprefix("Observation/")
    assert receipt.episode is not None
    text = stored(intake, "Observation", fill)
    intake.update(request(), "Observation", fill, text.replace(b'"final"', b'"entered-in-error"'))
    assert told_volume(intake, receipt.episode) == []
    assert "balloon-volume" not in {
        key.measure for key, pair in intake.snapshot(ALL, receipt.episode).summary.items() if pair[0] == 250
    }
    intake.update(request(), "Observation", fill, text)
    assert told_volume(intake, receipt.episode) == [250]
    assert intake.rebuild(request()) == 0


def test_the_same_content_again_writes_nothing(intake: Intake) -> None:
    patient = b'{"resourceType":"Patient","id":"p1","gender":"female"}'
    assert intake.update(request(), "Patient", "p1", patient).created
    again = intake.update(request(), "Patient", "p1", patient)
    assert not again.written
    assert again.version is not None
    assert again.version.version == 1


@pytest.mark.parametrize("suffix", ["shock-index", "blood-loss-measured"])
def test_a_client_may_not_write_what_is_computed(intake: Intake, suffix: str) -> None:
    episode = opened(intake)
    queue = told()
    intake.append(request(), episode, queue)
    id_ = f"{episode if suffix.startswith('blood') else queue[7]['id']}.{suffix}"
    with pytest.raises(BusinessRuleError, match="post the entry that changes it"):
        intake.update(request(), "Observation", id_, stored(intake, "Observation", id_))


def test_a_client_may_not_write_what_is_assembled(intake: Intake) -> None:
    episode = opened(intake)
    anchor = stored(intake, "Procedure", f"{episode}.anchor")
    with pytest.raises(BusinessRuleError, match="post a placement, removal or decision entry instead"):
        intake.update(request(), "Procedure", f"{episode}.anchor", anchor)


def test_a_stale_version_and_a_wrong_id_are_refused_and_nothing_is_written(intake: Intake) -> None:
    intake.update(request(), "Patient", "p1", b'{"resourceType":"Patient","id":"p1"}')
    changed = b'{"resourceType":"Patient","id":"p1","gender":"female"}'
    with pytest.raises(PreconditionFailedError, match="the current version is 1"):
        intake.update(request(), "Patient", "p1", changed, if_match='W/"7"')
    with pytest.raises(InvalidError, match="must be that of the address, p2; got another"):
        intake.update(request(), "Patient", "p2", changed)
    assert b"female" not in stored(intake, "Patient", "p1")


def test_a_transaction_with_one_bad_resource_leaves_nothing(intake: Intake) -> None:
    resources = partner.case()
    resources[3]["status"] = "finished"
    with pytest.raises(InvalidError) as wrong:
        intake.transaction(request(), partner.transaction(resources))
    assert any(one.place.startswith("Bundle.entry[3].resource") for one in wrong.value.findings)
    assert intake.store.read(lambda reader: reader.episodes(ALL)) == []
    assert intake.store.read(lambda reader: reader.search(ALL, "Patient", count=5)).total == 0


def test_broken_json_names_line_and_column(intake: Intake) -> None:
    with pytest.raises(UnreadableError, match="line 2"):
        intake.create(request(), "Patient", b'{"resourceType":"Patient",\n "gender": female}')


def test_what_is_valid_but_cannot_be_read_is_stored_and_listed_with_the_reason(intake: Intake) -> None:
    resources = partner.case()
    resources[2]["valueQuantity"] = partner.milli(500) | {"comparator": ">"}
    resources[3]["modifierExtension"] = [{"url": "urn:example:negated", "valueBoolean": True}]
    resources[7]["code"] = partner.coded("urn:example:local", "FILL")
    written, receipt = intake.transaction(request(), partner.transaction(resources))
    assert all(one.created for one in written)
    reasons = sorted(one.reason for one in receipt.unread)
    assert [reason.split(",")[0].split(" (")[0] for reason in reasons] == [
        "it carries modifierExtension",
        "its code",
        "the value has the comparator '>'",
    ]
    assert receipt.episode is not None
    assert "blood-loss-measured" not in {key.measure for key in intake.snapshot(ALL, receipt.episode).summary}
