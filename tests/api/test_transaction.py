"""A transaction over HTTP: all or nothing, conditions inside it, the order of its answer.

Source: http://hl7.org/fhir/R4/http.html#transaction, #trules, #ccreate.
"""

from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import dump
from tests.intake.case import entry

from .test_fhir import FHIR, PATIENT
from .walked import refused, valid

FIRST, SECOND, THIRD = (f"urn:uuid:6f0d7e5e-0000-4000-8000-00000000000{number}" for number in (1, 2, 3))
ENCOUNTER = {
    "resourceType": "Encounter",
    "status": "finished",
    "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
}
W17 = "identifier=urn:oid:2.999.1|W-17"


def part(resource: Any, method: str, url: str, name: str | None = None, **condition: str) -> dict[str, Any]:
    """Return an entry of a Bundle."""
    found: dict[str, Any] = {"request": {"method": method, "url": url, **condition}}
    if resource is not None:
        found["resource"] = resource
    return found | ({"fullUrl": name} if name else {})


def send(client: TestClient, *parts: dict[str, Any], query: str = "", **headers: str) -> Any:
    bundle = {"resourceType": "Bundle", "type": "transaction"} | ({"entry": list(parts)} if parts else {})
    return client.post(f"/fhir{query}", content=dump(bundle), headers=FHIR | headers)


def responses(answer: Any) -> list[dict[str, Any]]:
    assert answer.status_code == 200, answer.text
    return [one["response"] for one in valid(answer).get("entry", ())]


def patients(client: TestClient) -> int:
    return int(valid(client.get("/fhir/Patient"))["total"])


def woman(id_: str, **more: Any) -> dict[str, Any]:
    return {**PATIENT, "id": id_, **more}


def test_answers_come_in_the_order_of_the_entries(client: TestClient) -> None:
    answer = send(
        client,
        part(woman("b"), "PUT", "Patient/b"),
        part(PATIENT, "POST", "Patient"),
        part(ENCOUNTER, "POST", "Encounter"),
        part(woman("a"), "PUT", "Patient/a"),
    )
    listed = responses(answer)
    assert [one["status"] for one in listed] == ["201 Created"] * 4
    types = [one["location"].removeprefix("http://testserver/fhir/").split("/")[0] for one in listed]
    assert types == ["Patient", "Patient", "Encounter", "Patient"]
    assert [listed[0]["location"][-13:], listed[3]["location"][-13:]] == ["/b/_history/1", "/a/_history/1"]
    for one in listed:
        stored = client.get(one["location"])
        assert stored.headers["etag"] == one["etag"] == 'W/"1"'
        assert valid(stored)["meta"]["lastUpdated"] == one["lastModified"]
    again = responses(send(client, part(woman("b"), "PUT", "Patient/b", ifMatch='W/"1"')))
    assert [one["status"] for one in again] == ["200 OK"]
    assert responses(send(client)) == []


def test_a_transaction_gives_its_resources_back_when_they_are_preferred(client: TestClient) -> None:
    answer = send(client, part(woman("b"), "PUT", "Patient/b"), prefer="return=representation")
    assert valid(answer)["entry"][0]["resource"]["meta"]["versionId"] == "1"
    assert "resource" not in valid(send(client, part(woman("c"), "PUT", "Patient/c")))["entry"][0]


def test_two_creates_under_one_condition_are_one_and_links_lead_to_it(client: TestClient) -> None:
    def case() -> Any:
        return send(
            client,
            part(PATIENT, "POST", "Patient", FIRST, ifNoneExist=W17),
            part(PATIENT, "POST", "Patient", SECOND, ifNoneExist=W17),
            part({**ENCOUNTER, "subject": {"reference": SECOND}}, "POST", "Encounter", THIRD),
        )

    listed = responses(case())
    assert [one["status"] for one in listed] == ["201 Created", "200 OK", "201 Created"]
    assert listed[0]["location"] == listed[1]["location"]
    patient = listed[0]["location"].removeprefix("http://testserver/fhir/").removesuffix("/_history/1")
    assert valid(client.get(listed[2]["location"]))["subject"]["reference"] == patient
    again = responses(case())
    assert [one["status"] for one in again] == ["200 OK", "200 OK", "201 Created"]
    assert again[0]["location"] == listed[0]["location"]
    assert valid(client.get(again[2]["location"]))["subject"]["reference"] == patient
    assert patients(client) == 1


def test_a_conditional_reference_finds_what_stands_after_the_transaction(client: TestClient) -> None:
    # "5. Resolve any conditional references" is the last step of the processing rules (#trules)
    visit = part({**ENCOUNTER, "subject": {"reference": f"Patient?{W17}"}}, "POST", "Encounter")
    refused(send(client, visit), 412, "conflict", "matches 0 resources; it must match exactly one")
    made = responses(send(client, visit, part(woman("a"), "PUT", "Patient/a")))
    assert valid(client.get(made[0]["location"]))["subject"]["reference"] == "Patient/a"
    assert len(responses(send(client, visit))) == 1
    refused(send(client, visit, part(PATIENT, "POST", "Patient")), 412, "multiple-matches", "matches 2 resources")
    renamed = woman("a", identifier=[{"system": "urn:oid:2.999.1", "value": "W-18"}])
    refused(send(client, visit, part(renamed, "PUT", "Patient/a")), 412, "conflict", "matches 0 resources")
    assert valid(client.get("/fhir/Patient/a"))["meta"]["versionId"] == "1"
    unknown = part({**ENCOUNTER, "subject": {"reference": "Patient?nothing=x"}}, "POST", "Encounter")
    refused(send(client, unknown), 400, "not-supported", "Patient is not searched by 'nothing'")


@pytest.mark.parametrize(
    ("bad", "status", "code", "says"),
    [
        ([{"resource": PATIENT}], 422, "invariant", "bdl-3"),
        ([part(PATIENT, "FETCH", "Patient")], 422, "code-invalid", "FETCH"),
        ([part(None, "DELETE", "Patient")], 422, "invalid", "must be Type/id or Type?condition"),
        ([part(None, "DELETE", "Patient/a/b")], 422, "", ""),
        ([part(None, "DELETE", "Patient/a", ifMatch='W/"1"')], 412, "conflict", "the current version is none"),
        ([part(PATIENT, "DELETE", "Patient/a")], 422, "business-rule", "A DELETE has a resource; wanted none"),
        ([part(None, "GET", "Patient/a")], 404, "not-found", "was never here"),
        ([part(None, "GET", "Patent/a")], 404, "not-supported", "There is no resource type"),
        ([part(None, "GET", "Patient/a/$validate")], 400, "not-supported", "reads, searches and histories only"),
        ([part(None, "GET", "nowhere/at/all/of/it")], 404, "not-found", "There is nothing at this address"),
        ([part(None, "GET", "Patient?identifier=")], 400, "value", "needs a value"),
        ([part(PATIENT, "POST", "Patient/$validate")], 400, "not-supported", "no operations"),
        ([part(None, "PATCH", "Patient/a")], 422, "", "needs a resource"),
        ([part({"resourceType": "Parameters"}, "PATCH", "Patient/a")], 404, "not-found", "was never here"),
        ([part(PATIENT, "PATCH", "Patient/a")], 400, "structure", "The body is no patch"),
        ([part({"resourceType": "Binary", "contentType": "text/plain"}, "PATCH", "Patient/a")], 422, "", "json-patch"),
        ([part(None, "POST", "Patient")], 422, "", ""),
        ([part(PATIENT, "POST", "Observation")], 422, "business-rule", "the same type"),
        ([part(PATIENT, "POST", "Patient/x")], 422, "business-rule", "wanted the type alone"),
        ([part(PATIENT, "PUT", "Patient")], 422, "", ""),
        ([part(PATIENT, "PUT", "Patient/x")], 422, "", ""),
        ([part(woman("x"), "PUT", "Patient/y")], 422, "", ""),
        ([part(PATIENT, "PUT", "Patient?nothing=x")], 400, "not-supported", "is not searched by 'nothing'"),
        ([part(PATIENT, "PUT", f"Patient?{W17}")] * 2, 422, "invalid", "comes twice"),
        ([part(woman("x"), "PUT", "Patient/x"), part(None, "DELETE", "Patient/x")], 422, "", "already changes"),
        ([part(PATIENT, "POST", "Patient", FIRST)] * 2, 422, "invariant", "bdl-7"),
        ([part(woman("x"), "PUT", "Patient/x")] * 2, 422, "business-rule", "already changes Patient/x"),
        ([part(woman("good"), "PUT", "Patient/good", ifMatch='W/"1"')], 422, "business-rule", "already changes"),
        ([part(woman("x"), "PUT", "Patient/x", ifMatch='W/"1"')], 412, "conflict", "the current version is none"),
        (
            [part(woman("x"), "PUT", "Patient/x", ifNoneExist=W17)],
            422,
            "invalid",
            "is a condition of POST; got it on PUT",
        ),
        ([part(PATIENT, "POST", "Patient", ifMatch='W/"1"')], 422, "invalid", "is a condition of PUT or PATCH"),
        ([part(PATIENT, "POST", "Patient", ifNoneExist="nothing=x")], 400, "not-supported", "by 'nothing'"),
        (
            [part({**ENCOUNTER, "subject": {"reference": THIRD}}, "POST", "Encounter")],
            422,
            "not-found",
            "no entry of the",
        ),
        ([part({**PATIENT, "gender": "woman"}, "POST", "Patient")], 422, "code-invalid", "woman"),
    ],
)
def test_one_bad_entry_anywhere_and_nothing_is_written(
    client: TestClient, bad: list[dict[str, Any]], status: int, code: str, says: str
) -> None:
    good = part(woman("good"), "PUT", "Patient/good")
    for parts in ((good, *bad), (*bad, good)):
        answer = send(client, *parts)
        outcome = valid(answer)
        assert (answer.status_code, outcome["resourceType"]) == (status, "OperationOutcome"), answer.text
        assert not code or code in {issue["code"] for issue in outcome["issue"]}
        assert any(says in issue["diagnostics"] for issue in outcome["issue"])
        assert patients(client) == 0


def test_an_entrys_image_sent_twice_in_one_transaction_is_refused(client: TestClient) -> None:
    episode = client.post("/episodes", json={"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z"}).json()["episode"]
    fill = entry("fill", "02:52", volume_ml=50)
    client.post(f"/episodes/{episode}/entries", json=fill)
    image = valid(client.get(f"/fhir/Observation/{fill['id']}.fill"))
    by_post = part(image, "POST", "Observation")
    for twice in ((by_post, by_post), (by_post, part(image, "PUT", f"Observation/{image['id']}"))):
        refused(send(client, *twice), 422, "invalid", "comes twice; a transaction may write a resource once")


def test_a_dry_run_says_what_would_be_and_leaves_nothing(client: TestClient) -> None:
    listed = responses(send(client, part(woman("a"), "PUT", "Patient/a"), query="?dryRun=true"))
    assert [one["status"] for one in listed] == ["201 Created"]
    assert patients(client) == 0
    refused(send(client, query="?dry=1"), 400, "value", "There is no parameter 'dry' here")
