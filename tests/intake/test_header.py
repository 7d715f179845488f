"""Who and where: the facility is an Organization that resolves; staff resolve by the same identifiers once sent."""

import json
from typing import Any

from fhirmod.exchange import case_bundle
from fhirmod.intake import Intake
from fhirmod.mapping import FACILITY_ID, STAFF_ID
from fhirmod.r4 import check, parse

from .case import ALL, entry, opened, request, told

BASE = "http://a/fhir"


def bundle(intake: Intake, episode: str, type_: Any = "collection") -> bytes:
    return intake.store.read(lambda reader: case_bundle(reader, ALL, episode, BASE, type=type_))


def resources(intake: Intake, episode: str) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for one in parse(bundle(intake, episode))["entry"]:
        found.setdefault(one["resource"]["resourceType"], []).append(one["resource"])
    return found


def test_the_facility_is_one_organization_whoever_opens_and_everything_points_to_it(intake: Intake) -> None:
    first = opened(intake, facility={"id": "clinic-7", "name": "Clinic Seven"})
    second = opened(intake, facility={"id": "clinic-7", "name": "Clinic Seven"})
    intake.append(request(), first, told())
    held = intake.store.read(lambda reader: reader.identified(ALL, "Organization", FACILITY_ID, "clinic-7"))
    assert len(held) == 1
    assert "clinic" not in held[0]
    for episode in (first, second):
        found = resources(intake, episode)
        [organization] = found["Organization"]
        assert (organization["id"], organization["name"]) == (held[0], "Clinic Seven")
        assert [one for one in check(organization) if one.refuses] == []
        reference = f"Organization/{held[0]}"
        assert found["Encounter"][0]["serviceProvider"]["reference"] == reference
        assert found["Patient"][0]["managingOrganization"]["reference"] == reference
        anchor = next(one for one in found["Procedure"] if one["id"].endswith(".anchor"))
        assert anchor["performer"] == [{"actor": found["Encounter"][0]["serviceProvider"]}]
        assert {one["owner"]["reference"] for one in found.get("Task", [])} <= {reference}
    assert intake.rebuild(request()) == 0


def test_an_organization_sent_before_is_the_one_that_is_used(intake: Intake) -> None:
    sent = {
        "resourceType": "Organization",
        "id": "our-own",
        "identifier": [{"system": FACILITY_ID, "value": "clinic-7"}],
        "name": "Clinic Seven",
    }
    intake.update(request(), "Organization", "our-own", json.dumps(sent).encode())
    episode = opened(intake)
    assert resources(intake, episode)["Encounter"][0]["serviceProvider"]["reference"] == "Organization/our-own"


def test_a_practitioner_resolves_by_the_identifier_that_entries_name(intake: Intake) -> None:
    episode = opened(intake)
    acts = entry("placement", "02:11", performed_by={"id": "reg-1", "role": "registrar"})
    intake.append(request(), episode, [acts])
    assert "Practitioner" not in resources(intake, episode)
    sent = {
        "resourceType": "Practitioner",
        "id": "p1",
        "identifier": [{"system": STAFF_ID, "value": "reg-1"}],
        "name": [{"family": "Invented"}],
    }
    intake.update(request(), "Practitioner", "p1", json.dumps(sent).encode())
    assert [one["id"] for one in resources(intake, episode)["Practitioner"]] == ["p1"]


def test_the_organization_goes_with_the_case_and_sending_it_twice_adds_nothing(new_intake: Any) -> None:
    here, there = new_intake(), new_intake()
    episode = opened(here)
    here.append(request(), episode, told())
    sent = bundle(here, episode, "transaction")
    there.transaction(request(), sent)
    found = resources(there, episode)
    assert [one["id"] for one in found["Organization"]] == [resources(here, episode)["Organization"][0]["id"]]
    assert {task["owner"]["reference"] for task in found["Task"]} == {f"Organization/{found['Organization'][0]['id']}"}
    written, _ = there.transaction(request(), sent)
    assert not any(one.written for one in written)
    opened(there)  # a case of the same facility opened there finds it
    held = there.store.read(lambda reader: reader.identified(ALL, "Organization", FACILITY_ID, "clinic-7"))
    assert len(held) == 1
    assert there.rebuild(request()) == 0


def test_opening_is_told_by_a_provenance(intake: Intake) -> None:
    episode = opened(intake)
    members = intake.store.read(lambda reader: reader.members(ALL, episode))
    [told_by] = [parse(one.body or b"") for one in members if one.type == "Provenance"]
    targets = {one["reference"].partition("/")[0] for one in told_by["target"]}
    assert {"Patient", "Encounter", "Organization", "Procedure"} <= targets
    assert [one for one in check(told_by) if one.refuses] == []


def test_a_corrected_facility_is_named_by_its_identifier_alone(intake: Intake) -> None:
    episode = opened(intake)
    stands = intake.snapshot(ALL, episode).episode.by_id[episode].entry.document()
    corrected = {**stands, "id": "00000000-0000-4000-8000-0000000000aa", "facility": {"id": "clinic-8"}}
    intake.append(request(), episode, [corrected | {"corrects": episode, "reason": "the wrong clinic"}])
    provider = resources(intake, episode)["Encounter"][0]["serviceProvider"]
    assert (provider["identifier"]["value"], "reference" in provider) == ("clinic-8", False)
    assert intake.rebuild(request()) == 0
