"""delete, patch and the conditional forms of each write, over HTTP.

Source: http://hl7.org/fhir/R4/http.html#delete, #patch, #cond-update, #cdelete, #concurrency; RFC 6902; fhirpatch.html.
"""

import json
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from starlette.testclient import TestClient

from .test_fhir import FHIR, PATIENT, put
from .walked import refused, valid

W17 = "identifier=urn:oid:2.999.1|W-17"
JSON_PATCH = {"content-type": "application/json-patch+json"}
ADD = json.dumps([{"op": "add", "path": "/gender", "value": "female"}])


def test_what_is_deleted_is_gone_leaves_searches_and_can_be_revived(client: TestClient) -> None:
    put(client, PATIENT | {"id": "p"})
    assert valid(client.get(f"/fhir/Patient?{W17}"))["total"] == 1
    gone = client.delete("/fhir/Patient/p")
    assert (gone.status_code, gone.content, gone.headers["etag"]) == (204, b"", 'W/"2"')
    refused(client.get("/fhir/Patient/p"), 410, "deleted", "its earlier versions can still be read")
    assert client.head("/fhir/Patient/p").status_code == 410
    for query in ("", f"?{W17}", "?_id=p"):
        assert valid(client.get(f"/fhir/Patient{query}"))["total"] == 0
    again = client.delete("/fhir/Patient/p")
    assert (again.status_code, again.headers["etag"]) == (204, 'W/"2"')
    assert client.delete("/fhir/Patient/never").status_code == 204
    revived = put(client, PATIENT | {"id": "p"})
    assert (revived.status_code, revived.headers["etag"]) == (201, 'W/"3"')
    assert valid(client.get(f"/fhir/Patient?{W17}"))["total"] == 1
    said = client.delete("/fhir/Patient/p", headers={"prefer": "return=OperationOutcome"})
    assert (said.status_code, valid(said)["resourceType"]) == (200, "OperationOutcome")
    refused(client.delete("/fhir/Nothing/p"), 404, "not-supported", "no resource type")


@pytest.mark.parametrize("tag", ['W/"1"', '"1"', "1", "*", 'W/"7", W/"1"'])
@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_each_write_takes_the_current_tag_however_it_is_written(client: TestClient, method: str, tag: str) -> None:
    put(client, PATIENT | {"id": "p"})
    body, headers = writes(method)
    assert client.request(method, "/fhir/Patient/p", content=body, headers=headers | {"if-match": tag}).is_success


@pytest.mark.parametrize("tag", ['W/"1"', '"7"', 'W/"1", W/"7"', '""'])
@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
def test_a_stale_tag_is_412_for_each_write_and_nothing_is_lost(client: TestClient, method: str, tag: str) -> None:
    put(client, PATIENT | {"id": "p"})
    put(client, PATIENT | {"id": "p", "birthDate": "1990"})
    body, headers = writes(method)
    answer = client.request(method, "/fhir/Patient/p", content=body, headers=headers | {"if-match": tag})
    refused(answer, 412, "conflict", "the current version is 2")
    assert valid(client.get("/fhir/Patient/p"))["birthDate"] == "1990"


def writes(method: str) -> tuple[str | None, dict[str, str]]:
    body = {"PUT": json.dumps(PATIENT | {"id": "p", "gender": "female"}), "PATCH": ADD, "DELETE": None}[method]
    return body, JSON_PATCH if method == "PATCH" else FHIR


def test_a_put_that_must_not_replace_anything(client: TestClient) -> None:
    # RFC 9110, 13.1.2: If-None-Match "*" is met only where nothing stands
    new = PATIENT | {"id": "p"}
    assert put(client, new, if_none_match="*").status_code == 201
    refused(put(client, new | {"gender": "female"}, if_none_match="*"), 412, "conflict", "the current version is 1")
    client.delete("/fhir/Patient/p")
    assert put(client, new, if_none_match="*").status_code == 201


def test_a_patch_changes_what_it_says_and_nothing_else(client: TestClient) -> None:
    text = '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"valueQuantity":{"value":%s}}'
    for digits in ("1.50", "0.010", "12345678901234567.8910"):
        client.put("/fhir/Observation/o", content=text % digits, headers=FHIR)
        change = json.dumps([{"op": "add", "path": "/note", "value": [{"text": digits}]}])
        answer = client.patch("/fhir/Observation/o", content=change, headers=JSON_PATCH)
        assert answer.status_code == 200, answer.text
        assert f'"valueQuantity":{{"value":{digits}}}' in client.get("/fhir/Observation/o").text
        assert valid(answer)["note"] == [{"text": digits}]


def narrative(status: str, said: str = "Eve, female") -> dict[str, str]:
    return {"status": status, "div": f'<div xmlns="http://www.w3.org/1999/xhtml">{said}</div>'}


TELLING = {"op": "add", "path": "/text", "value": narrative("generated", "Eve, male")}


@pytest.mark.parametrize(
    ("status", "change", "left"),
    [
        ("generated", [{"op": "replace", "path": "/gender", "value": "male"}], None),
        ("extensions", [{"op": "remove", "path": "/gender"}], None),
        ("generated", [{"op": "replace", "path": "/gender", "value": "male"}, TELLING], TELLING["value"]),
        ("additional", [{"op": "replace", "path": "/gender", "value": "male"}, TELLING], TELLING["value"]),
        ("empty", [{"op": "replace", "path": "/gender", "value": "male"}], narrative("empty")),
        ("generated", [{"op": "add", "path": "/meta/tag", "value": [{"code": "q"}]}], narrative("generated")),
        ("generated", [{"op": "test", "path": "/gender", "value": "female"}], narrative("generated")),
    ],
)
def test_no_narrative_tells_of_what_was_before_a_patch(
    client: TestClient, status: str, change: list[dict[str, Any]], left: Any
) -> None:
    """Source: http.html#patch ("The server SHALL ensure that the narrative in a resource is not clinically unsafe after the
    PATCH operation is performed"; it may delete a generated one, and reject the patch of another)."""
    put(client, PATIENT | {"id": "eve", "gender": "female", "text": narrative(status)})
    answer = client.patch("/fhir/Patient/eve", content=json.dumps(change), headers=JSON_PATCH)
    assert answer.status_code == 200, answer.text
    assert valid(client.get("/fhir/Patient/eve")).get("text") == left


def test_a_narrative_that_says_more_than_the_data_is_patched_with_them(client: TestClient) -> None:
    put(client, PATIENT | {"id": "eve", "gender": "female", "text": narrative("additional", "Eve, who is tired")})
    change = [{"op": "replace", "path": "/gender", "value": "male"}]
    answer = client.patch("/fhir/Patient/eve", content=json.dumps(change), headers=JSON_PATCH)
    refused(answer, 422, "business-rule", "patch text too")
    assert valid(answer)["issue"][0]["expression"] == ["Patient.text"]
    assert valid(client.get("/fhir/Patient/eve"))["meta"]["versionId"] == "1"


@pytest.mark.parametrize(
    ("body", "kind", "status", "code", "says"),
    [
        ('[{"op":"replace","path":"/gender","value":"woman"}]', "json", 422, "invalid", "points to what is not there"),
        ('[{"op":"add","path":"/gender","value":"woman"}]', "json", 422, "code-invalid", "woman"),
        ('[{"op":"test","path":"/id","value":"q"}]', "json", 422, "invalid", "tests for a value that is not there"),
        ('[{"op":"jump"}]', "json", 400, "structure", "has no known op"),
        ('[{"op":"add","path":"/id","value":"q"}]', "json", 422, "business-rule", "a patch keeps what a resource is"),
        ('{"op":"add"}', "json", 415, "not-supported", "A JSON Patch is sent as application/json-patch+json"),
        ("[]", "fhir", 415, "not-supported", "Parameters of a FHIRPath Patch as application/fhir+json"),
        ("[", "json", 400, "structure", "line 1"),
        ('{"resourceType":"Patient"}', "fhir", 400, "structure", "The body is no patch"),
        ('{"resourceType":"Parameters","parameter":[{}]}', "fhir", 422, "", ""),
        ('{"resourceType":"Parameters","parameter":[{"name":"x","valueCode":"y"}]}', "fhir", 400, "structure", "named"),
        (ADD, "merge", 415, "not-supported", "Content-Type: application/json-patch+json"),
    ],
)
def test_a_patch_that_cannot_be_done_changes_nothing(
    client: TestClient, body: str, kind: str, status: int, code: str, says: str
) -> None:
    kinds = {
        "json": "application/json-patch+json",
        "fhir": "application/fhir+json",
        "merge": "application/merge-patch+json",
    }
    put(client, PATIENT | {"id": "p"})
    answer = client.patch("/fhir/Patient/p", content=body, headers={"content-type": kinds[kind]})
    outcome = valid(answer)
    assert (answer.status_code, outcome["resourceType"]) == (status, "OperationOutcome"), answer.text
    assert not code or code in {issue["code"] for issue in outcome["issue"]}
    assert any(says in issue["diagnostics"] for issue in outcome["issue"])
    assert client.get("/fhir/Patient/p").headers["etag"] == 'W/"1"'


def test_what_is_not_there_is_not_patched(client: TestClient) -> None:
    refused(client.patch("/fhir/Patient/p", content=ADD, headers=JSON_PATCH), 404, "not-found", "was never here")
    put(client, PATIENT | {"id": "p"})
    client.delete("/fhir/Patient/p")
    refused(client.patch("/fhir/Patient/p", content=ADD, headers=JSON_PATCH), 410, "deleted", "was deleted")


def conditionally(client: TestClient, method: str, **sent: Any) -> Any:
    body, headers = writes(method)
    return client.request(method, f"/fhir/Patient?{W17}", content=sent.get("content", body), headers=headers)


def test_a_conditional_update_creates_updates_or_refuses(client: TestClient) -> None:
    named, nameless = (json.dumps(one) for one in (PATIENT | {"id": "p"}, PATIENT | {"gender": "female"}))
    made = conditionally(client, "PUT", content=named)
    assert (made.status_code, valid(made)["id"]) == (201, "p")
    changed = conditionally(client, "PUT", content=nameless)
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"2"')
    assert valid(client.get("/fhir/Patient/p"))["gender"] == "female"
    again = conditionally(client, "PUT", content=nameless)
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"2"')
    other = conditionally(client, "PUT", content=json.dumps(PATIENT | {"id": "q"}))
    refused(other, 400, "value", "The condition matches Patient/p, but the resource has another id")
    unmet = client.put("/fhir/Patient?identifier=none", content=named, headers=FHIR)
    refused(unmet, 409, "conflict", "The condition matches nothing, and Patient/p is there already")
    put(client, PATIENT | {"id": "q"})
    refused(conditionally(client, "PUT", content=nameless), 412, "multiple-matches", "The condition matches 2 Patient")
    fresh = {"resourceType": "Patient", "identifier": [{"value": "new"}]}
    assert client.put("/fhir/Patient?identifier=new", json=fresh, headers=FHIR).status_code == 201
    assert client.put("/fhir/Patient?identifier=new", json=fresh, headers=FHIR).status_code == 200


def test_a_conditional_patch_and_delete_are_for_exactly_one(client: TestClient) -> None:
    refused(conditionally(client, "PATCH"), 404, "not-found", "The condition matches no Patient")
    assert conditionally(client, "DELETE").status_code == 204
    put(client, PATIENT | {"id": "p"})
    assert valid(conditionally(client, "PATCH"))["gender"] == "female"
    put(client, PATIENT | {"id": "q"})
    for method in ("PATCH", "DELETE"):
        refused(conditionally(client, method), 412, "multiple-matches", "The condition matches 2 Patient resources")
    client.delete("/fhir/Patient/q")
    assert conditionally(client, "DELETE").headers["etag"] == 'W/"3"'
    assert client.get("/fhir/Patient/p").status_code == 410


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE"])
@pytest.mark.parametrize(
    "query",
    [
        *("", "?_format=json", "?name=", "?nothing=x", "?identifier=W-17&nothing=x", "?identifier=W-17&_count=1"),
        *("?birthdate=x", "?gender:exact=female", "?organization.name=x", "?_has:Observation:patient:code=x"),
        *("?identifier=|", "?" + "&".join(["identifier=W-17"] * 11), "?identifier=" + ",".join(["W-17"] * 201)),
    ],
)
def test_a_write_to_a_whole_type_is_never_meant(client: TestClient, method: str, query: str) -> None:
    put(client, PATIENT | {"id": "p"})
    body, headers = writes(method)
    answer = client.request(method, f"/fhir/Patient{query}", content=body, headers=headers)
    assert answer.status_code == 400, answer.text
    assert valid(answer)["issue"][0]["code"] in ("value", "not-supported")
    assert client.get("/fhir/Patient/p").headers["etag"] == 'W/"1"'


def test_a_condition_in_the_address_of_a_create_is_refused_not_ignored(client: TestClient) -> None:
    answer = client.post(f"/fhir/Patient?{W17}", json=PATIENT, headers=FHIR)
    refused(answer, 400, "value", "a condition is sent as the header If-None-Exist")
    assert client.post("/fhir/Patient?_format=json&_pretty=true", json=PATIENT, headers=FHIR).status_code == 201


def test_twenty_parallel_conditional_updates_make_one(client: TestClient) -> None:
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: conditionally(client, "PUT", content=json.dumps(PATIENT)), range(20)))
    assert sorted(one.status_code for one in answers) == [200] * 19 + [201]
    assert len({one.headers["location"] for one in answers}) == 1


def test_of_twenty_parallel_updates_of_one_version_one_wins(client: TestClient) -> None:
    put(client, PATIENT | {"id": "p"})

    def change(year: int) -> Any:
        return put(client, PATIENT | {"id": "p", "birthDate": f"{1980 + year}"}, if_match='W/"1"')

    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(change, range(20)))
    assert sorted(one.status_code for one in answers) == [200] + [412] * 19
    won = next(one for one in answers if one.status_code == 200)
    assert valid(client.get("/fhir/Patient/p")) == valid(won)


def test_a_patient_still_referred_to_is_409(client: TestClient) -> None:
    put(client, PATIENT | {"id": "p"})
    seen = {"resourceType": "Observation", "id": "o", "status": "final", "code": {"text": "x"}}
    put(client, seen | {"subject": {"reference": "http://testserver/fhir/Patient/p"}})
    refused(client.delete("/fhir/Patient/p"), 409, "conflict", "is still referred to by 1 resources (Observation/o)")
    client.delete("/fhir/Observation/o")
    assert client.delete("/fhir/Patient/p").status_code == 204
