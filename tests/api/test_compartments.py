"""Searches within a compartment: a type's resources that any of R4's parameters ties to the one it is named for.

Source: http://hl7.org/fhir/R4/search.html#2.1.1.2 ("variant searches"), compartmentdefinition-patient.html (Observation by
subject and performer, AllergyIntolerance by patient, recorder and asserter), -encounter.html, -device.html.
"""

import json

import pytest
from starlette.testclient import TestClient

from api.fhir.capability import statement
from fhirmod.r4 import RESOURCE_TYPES, compartment_parameters, compartments, dump

from .issuer import asking_tokens, bearer, token
from .test_everything import RECORD
from .test_fhir import FHIR, put
from .walked import refused, valid

# what of the record is in which compartment, by hand from R4's pages
WITHIN = {
    "Patient/her/Observation": "hers-by-performer late pulse told",
    "Patient/her/AllergyIntolerance": "latex",
    "Patient/her/Encounter": "stay",
    "Patient/her/Patient": "her",
    "Patient/other/Observation": "hers-by-performer of-other",
    "Patient/other/Encounter": "",
    "Patient/nobody/Observation": "",
    "Encounter/stay/Observation": "pulse",
    "Encounter/stay/Encounter": "stay",
    "Device/pump/Observation": "late pulse",
    "Practitioner/midwife/Provenance": "who",
    "Patient/her/Observation?code:missing=false&date=ge2026-03-02": "late",
    "Patient/her/Observation?patient=other": "hers-by-performer",
    "Patient/her/Observation?_id=of-other": "",
}


@pytest.fixture
def ward(client: TestClient) -> TestClient:
    for one in RECORD:
        assert put(client, one).status_code == 201, one
    return client


def ids(page: dict[str, object]) -> str:
    entries: list[dict[str, dict[str, str]]] = page.get("entry", [])  # type: ignore[assignment]
    return " ".join(sorted(one["resource"]["id"] for one in entries if one["search"]["mode"] == "match"))


def test_a_compartment_has_what_any_of_its_parameters_ties_to_it(ward: TestClient) -> None:
    for address, expected in WITHIN.items():
        page = valid(ward.get(f"/fhir/{address}"))
        assert ids(page) == expected, address
        assert page["type"] == "searchset"
        place, _, query = address.partition("?")
        assert page["link"][0]["url"].startswith(f"http://testserver/fhir/{place}?{query[:4]}")


def test_pages_stay_in_the_compartment_and_bring_along_what_is_asked(ward: TestClient) -> None:
    at, seen, brought = "/fhir/Patient/her/Observation?_count=1&_include=Observation:device&_sort=-date", [], set()
    while at:
        page = valid(ward.get(at))
        links = {one["relation"]: one["url"].removeprefix("http://testserver") for one in page["link"]}
        seen.append(ids(page))
        brought |= {one["resource"]["id"] for one in page["entry"] if one["search"]["mode"] == "include"}
        assert page["total"] == 4
        at = links.get("next", "")
    assert (seen[0], sorted(seen), brought) == ("late", ["hers-by-performer", "late", "pulse", "told"], {"pump"})


def test_what_is_no_compartment_is_404_and_every_one_that_is_claimed_is_answered(ward: TestClient) -> None:
    for address in (
        "Patient/her/Organization",
        "Organization/maker/Device",
        "Patient/her/StructureDefinition",
        "Nix/a/Task",
    ):
        refused(ward.get(f"/fhir/{address}"), 404, "not-supported", "is in a compartment")
    refused(ward.get("/fhir/Patient/her/Nothing"), 404, "not-supported", "There is no resource type")
    for id_ in ("a%3Fb", "a%22b", "a b", "a_b", "a" * 65):  # http://hl7.org/fhir/R4/datatypes.html#id
        refused(ward.get(f"/fhir/Patient/{id_}/Observation"), 404, "not-found", "No Patient has such an id")
    refused(ward.get("/fhir/Patient/her/*"), 404, "not-supported", "$everything gives all of a Patient")
    refused(ward.get("/fhir/Patient/her/$nothing"), 404, "not-supported", "There is no operation $nothing")
    answer = ward.post("/fhir/Patient/her/Observation", content=b"{}", headers=FHIR)
    assert (answer.status_code, answer.headers["allow"]) == (405, "GET, HEAD")
    [rest] = statement("http://testserver/fhir")["rest"]
    claimed = {one.rpartition("/")[2].capitalize() for one in rest["compartment"]}
    assert claimed == compartments() == {"Patient", "Encounter", "Device", "Practitioner"}
    for of in sorted(claimed):
        for type_ in sorted(RESOURCE_TYPES):
            if compartment_parameters(of, type_):
                assert valid(ward.get(f"/fhir/{of}/x/{type_}"))["total"] == 0, (of, type_)


def test_a_bundle_asks_a_compartment_too(ward: TestClient) -> None:
    entry = {"request": {"method": "GET", "url": "Patient/her/Observation?_sort=date&_count=2"}}
    for kind in ("batch", "transaction"):
        answer = valid(ward.post("/fhir", json={"resourceType": "Bundle", "type": kind, "entry": [entry]}))
        assert answer["entry"][0]["resource"]["total"] == 4


def test_a_compartment_needs_the_scope_of_what_is_searched(tmp_path_factory: pytest.TempPathFactory) -> None:
    with asking_tokens(tmp_path_factory.mktemp("compartment")) as (client, _):
        for one in RECORD:
            client.put(f"/fhir/{one['resourceType']}/{one['id']}", content=dump(one), headers=FHIR | bearer(token()))
        for scope, status in (("Observation.s", 200), ("Observation.r", 403), ("Patient.rs", 403), ("*.s", 200)):
            answer = client.get("/fhir/Patient/her/Observation", headers=bearer(token(f"system/{scope}")))
            assert answer.status_code == status, scope
        entry = {"request": {"method": "GET", "url": "Patient/her/Observation"}}
        sent = json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
        for scope, status in (("Observation.s", 200), ("Patient.rs", 403)):
            answer = client.post("/fhir", content=sent, headers=FHIR | bearer(token(f"system/{scope}")))
            assert answer.status_code == status, scope
