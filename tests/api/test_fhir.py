"""The FHIR side over HTTP. Expected behaviour: HL7 FHIR R4 http.html and search.html."""

import json
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from api.fhir import INTERACTIONS
from api.problems import STATUS
from fhirmod import errors
from fhirmod.r4 import RESOURCE_TYPES
from tests.intake import partner
from tests.intake.case import entry, told

from .walked import refused, sought, valid

FHIR = {"content-type": "application/fhir+json"}
PATIENT = {"resourceType": "Patient", "identifier": [{"system": "urn:oid:2.999.1", "value": "W-17"}]}


def put(client: TestClient, resource: dict[str, Any], **headers: str) -> Any:
    path = f"/fhir/{resource['resourceType']}/{resource['id']}"
    return client.put(
        path, content=json.dumps(resource), headers=FHIR | {k.replace("_", "-"): v for k, v in headers.items()}
    )


def test_create_read_update_and_vread_keep_versions(client: TestClient) -> None:
    made = client.post("/fhir/Patient", json=PATIENT, headers=FHIR)
    assert (made.status_code, made.headers["etag"]) == (201, 'W/"1"')
    id_ = valid(made)["id"]
    assert made.headers["location"] == f"http://testserver/fhir/Patient/{id_}/_history/1"
    assert made.headers["last-modified"].endswith("GMT")
    changed = put(client, PATIENT | {"id": id_, "gender": "female"}, if_match='W/"1"')
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"2"')
    assert "gender" in valid(client.get(f"/fhir/Patient/{id_}"))
    assert "gender" not in valid(client.get(f"/fhir/Patient/{id_}/_history/1"))
    assert client.head(f"/fhir/Patient/{id_}").headers["etag"] == 'W/"2"'
    assert client.get(f"/fhir/Patient/{id_}", headers={"if-none-match": 'W/"2"'}).status_code == 304
    refused(put(client, PATIENT | {"id": id_}, if_match='W/"1"'), 412, "conflict", "the current version is 2")


def test_update_as_create_is_201_and_the_same_again_writes_nothing(client: TestClient) -> None:
    assert put(client, PATIENT | {"id": "w17"}).status_code == 201
    again = put(client, PATIENT | {"id": "w17"})
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"1"')


def test_a_conditional_create_makes_one_finds_one_and_refuses_several(client: TestClient) -> None:
    condition = FHIR | {"if-none-exist": "identifier=urn:oid:2.999.1|W-17"}
    first = client.post("/fhir/Patient", json=PATIENT, headers=condition)
    second = client.post("/fhir/Patient", json=PATIENT, headers=condition)
    assert (first.status_code, second.status_code) == (201, 200)
    assert first.headers["location"] == second.headers["location"]
    any_system = FHIR | {"if-none-exist": "identifier=W-17"}
    assert client.post("/fhir/Patient", json=PATIENT, headers=any_system).status_code == 200
    for other, code, says in (
        ("nothing=x", "not-supported", "Patient is not searched by 'nothing'"),
        ("identifier=W-17&nothing=x", "not-supported", "Patient is not searched by 'nothing'"),
        ("organization.name=x", "not-supported", "A condition here takes parameters of Patient itself"),
        ("identifier=", "value", "The parameter identifier of a condition needs a value"),
        ("", "value", "A condition needs a value"),
    ):
        answer = client.post("/fhir/Patient", json=PATIENT, headers=FHIR | {"if-none-exist": other})
        refused(answer, 400, code, says)
    client.post("/fhir/Patient", json=PATIENT, headers=FHIR)
    refused(client.post("/fhir/Patient", json=PATIENT, headers=condition), 412, "multiple-matches", "matches 2")


def test_prefer_chooses_what_comes_back(client: TestClient) -> None:
    minimal = client.post("/fhir/Patient", json=PATIENT, headers=FHIR | {"prefer": "return=minimal"})
    assert (minimal.status_code, minimal.content) == (201, b"")
    outcome = client.post("/fhir/Patient", json=PATIENT, headers=FHIR | {"prefer": "return=OperationOutcome"})
    assert valid(outcome)["resourceType"] == "OperationOutcome"


def test_numbers_and_texts_come_back_digit_by_digit(client: TestClient) -> None:
    for digits in ("1.50", "0.010", "350", "350.0", "1e3", "12345678901234567.891"):
        text = json.dumps(partner.observation(partner.coded(partner.LOINC, "718-7"), "03:00"))
        text = text.replace(partner.PATIENT, "Patient/p").replace(
            f'"partOf": [{{"reference": "{partner.ANCHOR}"}}], ', ""
        )
        text = text[:-1] + f', "valueQuantity": {{"value": {digits}, "unit": "x"}}}}'
        made = client.post("/fhir/Observation", content=text, headers=FHIR)
        assert made.status_code == 201, made.text
        assert f'"value": {digits},' in client.get(made.headers["location"]).text


def test_a_whole_case_as_a_transaction_and_its_state_by_the_anchor(client: TestClient) -> None:
    answer = client.post("/fhir", content=partner.transaction(), headers=FHIR)
    assert answer.status_code == 200, answer.text
    response = valid(answer)
    assert [one["response"]["status"] for one in response["entry"]] == ["201 Created"] * 9
    anchor = response["entry"][1]["response"]["location"].split("/_history")[0].removeprefix("http://testserver")
    parameters = {
        one["name"]: one for one in valid(client.get(f"{anchor}/$episode?as_of=2026-03-01T12:00:00Z"))["parameter"]
    }
    state = {one["name"]: one for one in parameters["state"]["part"]}
    losses = {one["name"]: one for one in state["loss"]["part"]}
    assert losses["measured"]["part"][0] == {"name": "ml", "valueDecimal": 850}
    episode = parameters["episode"]["valueId"]
    assert client.get(f"/episodes/{episode}").json()["facility"] == "district clinic"
    refused(client.get("/fhir/Procedure/none/$episode"), 404, "not-found", "was never here")


def test_a_transaction_with_a_fault_leaves_nothing(client: TestClient) -> None:
    resources = partner.case()
    del resources[4]["status"]
    answer = client.post("/fhir", content=partner.transaction(resources), headers=FHIR)
    outcome = valid(answer)
    assert answer.status_code == 422
    assert any("Bundle.entry[4].resource" in place for issue in outcome["issue"] for place in issue["expression"])
    assert valid(client.get("/fhir/Patient"))["total"] == 0


def test_computed_and_assembled_resources_are_read_only(client: TestClient) -> None:
    episode = client.post("/episodes", json={"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}).json()["episode"]
    client.post(f"/episodes/{episode}/entries", json=told())
    for id_ in (f"Procedure/{episode}.anchor", f"Observation/{episode}.blood-loss-measured"):
        resource = json.loads(client.get(f"/fhir/{id_}").content)
        refused(put(client, resource), 422, "business-rule", "post ")


def test_search_by_id_identifier_and_patient(client: TestClient) -> None:
    episode = client.post("/episodes", json={"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}).json()["episode"]
    fill = entry("fill", "02:52", volume_ml=50)
    client.post(f"/episodes/{episode}/entries", json=[fill, entry("fill", "02:53", volume_ml=60)])
    anchor = valid(client.get(f"/fhir/Procedure?identifier={episode}"))["entry"][0]["resource"]
    patient = anchor["subject"]["reference"]
    system = "https://fhirmod.example.org/fhir/NamingSystem/entry-id"

    def found(query: str) -> int:
        return int(valid(client.get(f"/fhir/Observation?{query}"))["total"])

    assert found(f"identifier={system}|{fill['id']}") == 1
    assert found(f"identifier={fill['id']},{episode}") == 1
    assert found(f"identifier=|{fill['id']}") == 0
    assert found(f"identifier=urn:other|{fill['id']}") == 0
    assert found(f"_id={fill['id']}.fill") == 1
    assert found(f"_id={fill['id']}.fill&identifier=none") == 0
    assert found(f"identifier={system}|") == found(f"identifier={system}|&patient={patient}") >= 2
    assert found("identifier=urn:other|") == 0
    for one in (patient, patient.removeprefix("Patient/"), f"http://testserver/fhir/{patient}"):
        assert found(f"patient={one}") >= 2
    refused(client.get("/fhir/Observation?identifier=|"), 400, "value", "needs a system or a value")
    for name in ("_id", "identifier", "patient"):
        refused(client.get(f"/fhir/Observation?{name}="), 400, "value", f"The parameter {name} needs a value")
    assert found("patient=Group/1") == 0  # a group is no patient


@pytest.mark.parametrize(
    ("value", "asked"),
    [
        ("W,17", r"W\,17"),
        ("W|17", r"W\|17"),
        ("W$17", r"W\$17"),
        ("W\\17", r"W\\17"),
        ("W\\,17", r"W\\\,17"),
        ("W\\", r"W\\,other"),
        ("W 17+é", "W 17+é"),
        ("a|b", r"urn:oid:2.999.1|a\|b"),
    ],
)
def test_an_identifier_is_found_by_its_escaped_value(client: TestClient, value: str, asked: str) -> None:
    # http://hl7.org/fhir/R4/search.html#escaping
    client.post("/fhir/Patient", json=PATIENT, headers=FHIR)
    mine = {"resourceType": "Patient", "id": "mine", "identifier": [{"system": "urn:oid:2.999.1", "value": value}]}
    put(client, mine)
    found = valid(client.get("/fhir/Patient", params={"identifier": asked}))
    assert [one["resource"]["id"] for one in found["entry"]] == ["mine"]
    self = found["link"][0]["url"].removeprefix("http://testserver")
    assert valid(client.get(self))["entry"] == found["entry"]
    condition = FHIR | {"if-none-exist": urlencode({"identifier": asked.removesuffix(",other")})}
    assert (
        client.post("/fhir/Patient", json=PATIENT, headers=condition).headers["location"].endswith("/mine/_history/1")
    )


def test_pages_are_stable_while_others_write_and_self_is_truthful(client: TestClient) -> None:
    for number in range(5):
        put(client, PATIENT | {"id": f"p{number}"})
    page = valid(client.get("/fhir/Patient?_count=2"))
    links = {one["relation"]: one["url"] for one in page["link"]}
    seen = [one["resource"]["id"] for one in page["entry"]]
    put(client, PATIENT | {"id": "p0", "gender": "female"})
    put(client, PATIENT | {"id": "p9"})
    while "next" in links:
        page = valid(client.get(links["next"].removeprefix("http://testserver")))
        links = {one["relation"]: one["url"] for one in page["link"]}
        seen += [one["resource"]["id"] for one in page["entry"]]
    assert seen == ["p0", "p1", "p2", "p3", "p4", "p9"]
    assert valid(client.get("/fhir/Patient?_count=0"))["total"] == 6
    strict = client.get("/fhir/Patient?nickname=x", headers={"prefer": "handling=strict"})
    refused(strict, 400, "not-supported", "is not searched by 'nickname' here")
    refused(client.get("/fhir/Patient?identifier:exact=x"), 400, "not-supported", "identifier:exact")


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "code", "says"),
    [
        ("GET", "/Patient/none", None, 404, "not-found", "was never here"),
        ("GET", "/Patient/none/_history/1", None, 404, "not-found", "was never here"),
        ("GET", "/Patent/1", None, 404, "not-supported", "There is no resource type 'Patent'"),
        ("GET", "/a/b/c/d", None, 404, "not-found", "There is nothing at this address"),
        ("POST", "/Patient/1", None, 405, "not-supported", "there are: DELETE, GET, HEAD, PATCH, PUT"),
        ("GET", "", None, 405, "not-supported", "there are: POST"),
        ("POST", "/Patient", b"{", 400, "structure", "line 1"),
        ("POST", "/Patient", b'{"resourceType":"Patient","id":"a","id":"b"}', 400, "structure", "id"),
        ("POST", "/Patient", b'{"resourceType":"Observation"}', 422, "invalid", "must be a Patient"),
        ("POST", "/Patient", b'{"resourceType":"Patient","gender":"woman"}', 422, "code-invalid", "woman"),
        ("POST", "/Patient", b'{"resourceType":"Patient","nam":[{}]}', 422, "structure", "nam"),
        ("PUT", "/Patient/a", b'{"resourceType":"Patient","id":"b"}', 400, "value", "must be that of the address, a"),
        ("PUT", "/Patient/a", b'{"resourceType":"Patient"}', 400, "value", "got none"),
        ("POST", "", b'{"resourceType":"Bundle","type":"collection"}', 422, "invalid", "must be transaction or batch"),
        ("POST", "", b"[]", 422, "invalid", "must be a Bundle"),
    ],
)
def test_every_refusal_is_an_operation_outcome(
    client: TestClient, method: str, path: str, body: bytes | None, status: int, code: str, says: str
) -> None:
    answer = client.request(method, f"/fhir{path}", content=body, headers=FHIR)
    refused(answer, status, code, says)
    if status == 405:
        assert set(answer.headers["allow"].split(", ")) == set(says.removeprefix("there are: ").split(", "))


def test_formats_are_negotiated(client: TestClient) -> None:
    assert (
        client.get(
            "/fhir/metadata", headers={"accept": "text/html;q=0.9, application/fhir+json;fhirVersion=4.0"}
        ).status_code
        == 200
    )
    refused(client.get("/fhir/metadata", headers={"accept": "application/fhir+xml"}), 406, "not-supported", "fhir+json")
    refused(client.get("/fhir/metadata?_format=xml"), 406, "not-supported", "fhir+json")
    assert client.get("/fhir/metadata?_format=json", headers={"accept": "text/html"}).status_code == 200
    xml = client.post("/fhir/Patient", content=b"<Patient/>", headers={"content-type": "application/fhir+xml"})
    refused(xml, 415, "not-supported", "must be JSON")
    refused(client.post("/fhir/Patient", content=b" " * 200_001, headers=FHIR), 413, "too-long", "at most 200000 bytes")


def test_browsers_of_other_origins_may_ask_and_see_the_headers(client: TestClient) -> None:
    asked = {
        "origin": "https://ehr.example",
        "access-control-request-method": "PUT",
        "access-control-request-headers": "content-type, if-match, prefer, authorization, if-none-exist",
    }
    assert client.options("/fhir/Patient/1", headers=asked).status_code == 200
    answer = client.get("/fhir/metadata", headers={"origin": "https://ehr.example"})
    exposed = {one.strip() for one in answer.headers["access-control-expose-headers"].split(",")}
    assert {"ETag", "Location", "Content-Location", "Last-Modified"} <= exposed


def test_routes_openapi_and_capability_statement_are_equal_sets(client: TestClient) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    described = {
        (path.removeprefix("/fhir"), method)
        for path, said in paths.items()
        if path.startswith("/fhir")
        for method in said
    }
    assert described == {(one.path, one.method.lower()) for one in INTERACTIONS}
    rest = valid(client.get("/fhir/metadata"))["rest"][0]
    assert {one["type"] for one in rest["resource"]} == set(RESOURCE_TYPES)
    claimed = {code["code"] for one in rest["resource"] for code in one["interaction"]}
    claimed |= {one["code"] for one in rest["interaction"]}
    claimed |= {one["name"] for resource in rest["resource"] for one in resource.get("operation", ())}
    assert rest["compartment"]  # R4 has no code for a search within one
    assert claimed == {one.code for one in INTERACTIONS} - {"capabilities", "search-compartment"}


def test_every_search_parameter_that_is_claimed_is_applied(client: TestClient) -> None:
    rest = valid(client.get("/fhir/metadata"))["rest"][0]
    for resource in rest["resource"]:
        for parameter in resource["searchParam"]:
            asked = urlencode({parameter["name"]: sought(resource["type"], parameter["name"])})
            answer = valid(client.get(f"/fhir/{resource['type']}?{asked}", headers={"prefer": "handling=strict"}))
            assert asked in answer["link"][0]["url"]


def test_every_error_has_a_status() -> None:
    leaves = {one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, errors.FhirmodError)}
    assert set(STATUS) == leaves


def test_a_resource_under_the_id_of_an_image_that_names_no_entry_is_created_under_a_new_id(client: TestClient) -> None:
    own = "0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80003.use"
    device: dict[str, Any] = {"display": "y"}
    resource = {
        "resourceType": "DeviceUseStatement",
        "id": own,
        "status": "active",
        "subject": device,
        "device": device,
    }
    answer = client.post("/fhir/DeviceUseStatement", json=resource)
    assert answer.status_code == 201
    assert answer.json()["id"] != own
