"""batch, and what a transaction does beyond creating and updating: order, reads, patches, limits, retries.

Source: http://hl7.org/fhir/R4/http.html#transaction, #brules, #trules, #transaction-response.
"""

import base64
import json
from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import dump

from .test_fhir import FHIR, PATIENT, put
from .test_transaction import ENCOUNTER, FIRST, SECOND, THIRD, W17, part, patients, responses, send, woman
from .walked import refused, valid

HERE = "http://testserver/fhir"
GENDER = [{"op": "add", "path": "/gender", "value": "female"}]


def binary(patch: Any) -> dict[str, Any]:
    data = base64.b64encode(dump(patch)).decode()
    return {"resourceType": "Binary", "contentType": "application/json-patch+json", "data": data}


def batch(client: TestClient, *parts: dict[str, Any], **headers: str) -> list[dict[str, Any]]:
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": list(parts)}
    answer = client.post("/fhir", content=dump(bundle), headers=FHIR | headers)
    assert answer.status_code == 200, answer.text
    found = valid(answer)
    assert found["type"] == "batch-response"
    return list(found["entry"])


def statuses(entries: list[dict[str, Any]]) -> list[str]:
    return [one["response"]["status"][:3] for one in entries]


def test_each_entry_of_a_batch_has_its_own_fate(client: TestClient) -> None:
    put(client, woman("old"))
    entries = batch(
        client,
        part(None, "GET", "Patient/new"),
        part(woman("new"), "PUT", "Patient/new"),
        part({**PATIENT, "gender": "woman"}, "POST", "Patient"),
        part(None, "DELETE", "Patient/old"),
        part(None, "GET", "Patient/none"),
        part(None, "GET", "Patient/old"),
        part(woman("x"), "PUT", "Patient/y"),
        part(None, "GET", f"Patient?{W17}"),
        part(binary(GENDER), "PATCH", "Patient/new", ifMatch='W/"1"'),
        part(None, "GET", "metadata"),
        part(None, "GET", "Patient/new/_history"),
        part(PATIENT, "POST", "Patient/$validate"),
        part(None, "HEAD", "Patient/new"),
        part(None, "GET", "Patient/new", ifNoneMatch='W/"2"'),
        part(None, "GET", "nowhere/at/all/of/it"),
    )
    assert statuses(entries) == (
        "200 201 422 204 404 410 400 200 200 200 200 200 200 304 404".split()  # noqa: SIM905
    )
    kinds = [one.get("resource", {}).get("resourceType") for one in entries]
    assert kinds[0] == "Patient"
    assert kinds[9:13] == ["CapabilityStatement", "Bundle", "OperationOutcome", None]
    assert entries[0]["resource"]["gender"] == "female"  # reads come last
    assert (entries[1]["response"]["etag"], entries[8]["response"]["etag"]) == ('W/"1"', 'W/"2"')
    assert entries[1]["response"]["location"] == f"{HERE}/Patient/new/_history/1"
    for number in (2, 4, 5, 6, 14):
        assert entries[number]["response"]["outcome"]["issue"][0]["severity"] == "error"
        assert "resource" not in entries[number]
    stored = client.get("/fhir/Patient/new")
    assert valid(stored)["meta"]["lastUpdated"] == entries[8]["response"]["lastModified"]


@pytest.mark.parametrize(
    ("bad", "status", "says"),
    [
        ({"resource": PATIENT}, "422", "bdl-3"),
        (part(PATIENT, "FETCH", "Patient"), "422", "FETCH"),
        ({"request": {"method": "GET"}}, "422", "url"),
        ({"request": "GET"}, "422", "request"),
        (part(PATIENT, "POST", "Observation"), "422", "must be a Observation"),
        (part(None, "POST", "Patient"), "400", "line 1"),
        (part(PATIENT, "POST", "Patient/x/y/z/w"), "422", "names no resource"),
        (part(PATIENT, "POST", ""), "422", "url"),
        (part(PATIENT, "POST", "Patient/$everyone"), "404", "There is no operation $everyone at this address"),
        (part(PATIENT, "POST", "Patient/x"), "405", "The method POST is not for this address"),
        (part(woman("x"), "PUT", "Patient/x", ifMatch='W/"1"'), "412", "the current version is none"),
        (part(woman("x"), "PUT", "Patient/x", ifNoneExist=W17), "422", "ifNoneExist is a condition of POST"),
        (part({**binary([]), "data": "not base64!"}, "PATCH", "Patient/x"), "422", "base64"),
        (
            part({**PATIENT, "link": [{"other": {"reference": FIRST}, "type": "seealso"}]}, "POST", "Patient"),
            "422",
            "tran",
        ),
    ],
)
def test_a_bad_entry_of_a_batch_spoils_no_other(
    client: TestClient, bad: dict[str, Any], status: str, says: str
) -> None:
    good = part(PATIENT, "POST", "Patient", FIRST)
    for parts in ((good, bad), (bad, good)):
        entries = batch(client, *parts)
        assert sorted(statuses(entries)) == sorted(["201", status])
        [wrong] = [one for one in entries if one["response"]["status"].startswith(status)]
        assert any(says in issue["diagnostics"] for issue in wrong["response"]["outcome"]["issue"])
    assert patients(client) == 2


@pytest.mark.parametrize(
    "link",
    [
        {"extension": [{"url": "urn:oid:2.999.7", "valueUri": FIRST}]},
        {
            "text": {
                "status": "generated",
                "div": f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{FIRST}">x</a></div>',
            }
        },
        {"extension": [{"url": "urn:oid:2.999.7", "valueReference": {"reference": FIRST}}]},
    ],
)
def test_no_link_between_entries_of_a_batch_is_stored_as_it_is(client: TestClient, link: dict[str, Any]) -> None:
    """Source: http.html#brules ("entries ... SHALL NOT have any interdependencies"); links as in #trules."""
    entries = batch(
        client, part(PATIENT, "POST", "Patient", FIRST), part({**PATIENT, **link}, "POST", "Patient", SECOND)
    )
    assert statuses(entries) == ["201", "422"]
    assert entries[1]["response"]["outcome"]["issue"][0]["code"] == "business-rule"
    own = {"identifier": [{"system": "urn:ietf:rfc:3986", "value": FIRST}]}  # a number, not a link
    assert statuses(
        batch(client, part(PATIENT, "POST", "Patient", FIRST), part({**PATIENT, **own}, "POST", "Patient", SECOND))
    ) == ["201", "201"]


def test_one_full_url_twice_in_a_batch_is_refused_unless_of_two_versions(client: TestClient) -> None:
    """Source: bundle.html, bdl-7."""
    here = f"{HERE}/Patient/a"
    twice = [part(woman("a"), "PUT", "Patient/a", here), part(woman("a"), "PUT", "Patient/a", here)]
    assert statuses(batch(client, *twice)) == ["422", "422"]
    versions = [part(woman("a", meta={"versionId": one}), "PUT", "Patient/a", here) for one in ("1", "2")]
    assert statuses(batch(client, *versions)) == ["201", "200"]


def test_a_batch_gives_back_what_the_client_prefers(client: TestClient) -> None:
    one = part(woman("a"), "PUT", "Patient/a")
    assert "resource" not in batch(client, one)[0]
    assert batch(client, one, prefer="return=representation")[0]["resource"]["id"] == "a"
    told = batch(client, one, prefer="return=OperationOutcome")[0]["response"]["outcome"]
    assert told["issue"][0]["severity"] == "information"


def test_a_bundle_that_is_none_of_the_two_is_refused(client: TestClient) -> None:
    ill: list[dict[str, Any]] = [{"entry": {}}, {"entry": [1]}, {"total": 1}]
    for wrong in ill:
        answer = client.post("/fhir", json={"resourceType": "Bundle", "type": "batch", **wrong}, headers=FHIR)
        assert (answer.status_code, valid(answer)["resourceType"]) == (422, "OperationOutcome")
    for kind in ({"type": "document"}, {"type": 5}, {}):
        answer = client.post("/fhir", json={"resourceType": "Bundle", **kind}, headers=FHIR)
        refused(answer, 422, "invalid", "must be transaction or batch")
    answer = client.post("/fhir?dryRun=true", json={"resourceType": "Bundle", "type": "batch"}, headers=FHIR)
    refused(answer, 400, "value", "dryRun is for a transaction")


def test_a_transaction_deletes_creates_updates_and_then_reads(client: TestClient) -> None:
    put(client, woman("old"))
    answer = send(
        client,
        part(None, "GET", f"Patient?{W17}"),
        part(None, "GET", "Patient/b/_history"),
        part(binary(GENDER), "PATCH", "Patient/c"),
        part(woman("b"), "PUT", "Patient/b"),
        part(PATIENT, "POST", "Patient", FIRST, ifNoneExist=W17),
        part(None, "DELETE", f"Patient?{W17}"),
        part(None, "HEAD", "Patient/b"),
        part(None, "GET", f"{HERE}/Patient/b", ifNoneMatch='W/"1"'),
    )
    refused(answer, 404, "not-found", "Patient/c was never here")
    assert valid(client.get("/fhir/Patient/old"))["meta"]["versionId"] == "1"
    put(client, {"resourceType": "Patient", "id": "c"})
    answer = send(
        client,
        part(None, "GET", f"Patient?{W17}&_summary=count"),
        part(None, "GET", "Patient/b/_history"),
        part(binary(GENDER), "PATCH", f"{HERE}/Patient/c", ifMatch='W/"1"'),
        part(woman("b"), "PUT", f"{HERE}/Patient/b"),
        part(PATIENT, "POST", "Patient", FIRST, ifNoneExist=W17),
        part(None, "DELETE", f"Patient?{W17}"),
        part(None, "HEAD", "Patient/b"),
        part(None, "GET", f"{HERE}/Patient/b", ifNoneMatch='W/"1"'),
    )
    entries = valid(answer)["entry"]
    # deleted first, so the conditional create finds nobody and makes one
    assert statuses(entries) == "200 200 200 201 201 204 200 304".split()  # noqa: SIM905
    assert "resource" not in entries[6]  # HEAD: the same without the body
    assert entries[0]["resource"]["total"] == 2
    assert entries[1]["resource"]["entry"][0]["resource"]["id"] == "b"
    assert client.get("/fhir/Patient/old").status_code == 410
    assert valid(client.get("/fhir/Patient/c"))["gender"] == "female"


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_what_was_not_modified_since_an_instant_is_not_sent_again(client: TestClient, kind: str) -> None:
    """Source: bundle.html (entry.request.ifModifiedSince is an instant); http.html#cread (304 for a conditional read)."""
    written = put(client, woman("a")).json()["meta"]["lastUpdated"]
    since = ("2026-03-01T23:59:59Z", written, "2999-01-01T00:00:00.123456789+14:00", "0001-01-01T00:00:00Z")
    entries = [part(None, "GET", "Patient/a", ifModifiedSince=one) for one in since]
    answer = client.post("/fhir", json={"resourceType": "Bundle", "type": kind, "entry": entries})
    assert [one["response"]["status"][:3] for one in valid(answer)["entry"]] == ["200", "304", "304", "200"]
    assert [("resource" in one) for one in valid(answer)["entry"]] == [True, False, False, True]


def test_a_fhirpath_patch_stands_in_a_transaction_too(client: TestClient) -> None:
    put(client, woman("a"))
    told = [("type", "valueCode", "add"), ("path", "valueString", "Patient"), ("name", "valueString", "birthDate")]
    pieces = [{"name": name, key: value} for name, key, value in told] + [{"name": "value", "valueDate": "1990-02"}]
    patch = {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": pieces}]}
    assert [one["status"] for one in responses(send(client, part(patch, "PATCH", "Patient/a")))] == ["200 OK"]
    assert valid(client.get("/fhir/Patient/a"))["birthDate"] == "1990-02"


def test_conditions_see_what_their_transaction_did_before_them(client: TestClient) -> None:
    made = send(
        client,
        part(PATIENT, "PUT", f"Patient?{W17}", FIRST),
        part({**ENCOUNTER, "subject": {"reference": FIRST}}, "POST", "Encounter", SECOND),
    )
    assert [one["status"] for one in responses(made)] == ["201 Created", "201 Created"]
    patient = responses(made)[0]["location"].split("/")[-3]
    visit = valid(client.get(responses(made)[1]["location"]))
    assert visit["subject"]["reference"] == f"Patient/{patient}"
    again = responses(send(client, part({**PATIENT, "gender": "female"}, "PUT", f"Patient?{W17}")))
    assert (again[0]["status"], again[0]["etag"]) == ("200 OK", 'W/"2"')
    twice = send(client, part(PATIENT, "PUT", f"Patient?{W17}"), part(None, "DELETE", f"Patient/{patient}"))
    refused(twice, 409, "conflict", "still referred to by 1 resources")
    several = send(client, part(PATIENT, "POST", "Patient"), part(PATIENT, "PUT", f"Patient?{W17}"))
    refused(several, 412, "multiple-matches", "matches 2 Patient")
    whole = send(client, part(None, "DELETE", f"Encounter/{visit['id']}"), part(None, "DELETE", f"Patient?{W17}"))
    assert [one["status"] for one in responses(whole)] == ["204 No Content"] * 2
    assert patients(client) == 0


def test_nobody_is_deleted_who_is_referred_to_after_the_transaction(client: TestClient) -> None:
    put(client, woman("a"))
    put(client, ENCOUNTER | {"id": "v", "subject": {"reference": "Patient/a"}})
    gone = part(None, "DELETE", "Patient/a")
    for visit in (
        part({**ENCOUNTER, "subject": {"reference": "Patient/a"}}, "POST", "Encounter"),
        part(
            {**ENCOUNTER, "id": "v", "status": "planned", "subject": {"reference": "Patient/a"}}, "PUT", "Encounter/v"
        ),
    ):
        refused(send(client, gone, visit), 409, "conflict", "is still referred to by")
    moved = part({**ENCOUNTER, "id": "v"}, "PUT", "Encounter/v")
    assert [one["status"] for one in responses(send(client, gone, moved))] == ["204 No Content", "200 OK"]


def test_a_temporary_id_is_replaced_everywhere_a_link_can_stand(client: TestClient) -> None:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{FIRST}">her</a></div>'
    visit = {
        **ENCOUNTER,
        "text": {"status": "generated", "div": div},
        "extension": [{"url": "urn:oid:2.999.7", "valueReference": {"reference": FIRST}}],
        "contained": [{"resourceType": "Condition", "id": "c", "subject": {"reference": FIRST}}],
        "subject": {"reference": FIRST},
        "diagnosis": [{"condition": {"reference": "#c"}}],
    }
    made = responses(send(client, part(PATIENT, "POST", "Patient", FIRST), part(visit, "POST", "Encounter", SECOND)))
    text = client.get(made[1]["location"]).text
    assert "urn:uuid" not in text
    assert text.count("Patient/" + made[0]["location"].split("/")[-3]) == 4


def test_a_retried_transaction_with_conditions_changes_nothing(client: TestClient) -> None:
    def case() -> Any:
        visit = {
            **ENCOUNTER,
            "identifier": [{"system": "urn:oid:2.999.2", "value": "V-1"}],
            "subject": {"reference": FIRST},
        }
        return send(
            client,
            part(PATIENT, "POST", "Patient", FIRST, ifNoneExist=W17),
            part(visit, "POST", "Encounter", SECOND, ifNoneExist="identifier=urn:oid:2.999.2|V-1"),
            part({"resourceType": "Group", "id": "g", "type": "person", "actual": True}, "PUT", "Group/g", THIRD),
        )

    assert {one["status"] for one in responses(case())} == {"201 Created"}
    everything = valid(client.get("/fhir/_history"))
    assert {one["status"] for one in responses(case())} == {"200 OK"}
    assert valid(client.get("/fhir/_history")) == everything


@pytest.mark.parametrize("place", [0, 3, 7])
def test_a_failure_at_any_entry_leaves_the_whole_store_as_it_was(client: TestClient, place: int) -> None:
    put(client, woman("old"))
    before = client.get("/fhir/_history").content
    parts = [part(None, "DELETE", "Patient/old"), *(part(woman(f"w{n}"), "PUT", f"Patient/w{n}") for n in range(7))]
    parts.insert(place, part(woman("late"), "PUT", "Patient/late", ifMatch='W/"9"'))
    answer = send(client, *parts)
    refused(answer, 412, "conflict", "the current version is none")
    assert valid(answer)["issue"][0]["expression"] == [f"Bundle.entry[{place}].request"]
    assert client.get("/fhir/_history").content == before


@pytest.mark.parametrize("kind", ["transaction", "batch"])
def test_more_entries_than_are_taken_at_once_are_413(client: TestClient, kind: str) -> None:
    parts = [part(None, "GET", "Patient/x")] * 2001
    answer = client.post("/fhir", content=dump({"resourceType": "Bundle", "type": kind, "entry": parts}), headers=FHIR)
    refused(answer, 413, "too-long", "A Bundle takes at most 2000 entries; got 2001. Send it in parts.")


def test_a_thousand_entries_are_one_transaction(client: TestClient) -> None:
    parts = [
        part(woman(f"w{number}", identifier=[{"value": f"W-{number}"}]), "PUT", f"Patient/w{number}")
        for number in range(500)
    ]
    parts += [
        part({**ENCOUNTER, "subject": {"reference": f"Patient?identifier=W-{number}"}}, "POST", "Encounter")
        for number in range(500)
    ]
    answer = send(client, *parts)
    assert len(responses(answer)) == 1000
    last = valid(client.get(responses(answer)[999]["location"]))
    assert last["subject"]["reference"] == "Patient/w499"
    assert json.loads(client.get("/fhir/Encounter?_summary=count").content)["total"] == 500
