"""Writes under conditions of any search parameter, alone and in Bundles, one at a time and at once.

Source: http://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #cdelete, #patch (conditional), #trules.
"""

from concurrent.futures import ThreadPoolExecutor
from random import Random
from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from .test_batch import batch, statuses
from .test_fhir import FHIR, put
from .test_transaction import FIRST, SECOND, part, responses, send
from .walked import refused, valid

JSON_PATCH = {"content-type": "application/json-patch+json"}
RATE = {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]}
SEEN: dict[str, Any] = {
    "resourceType": "Observation",
    "status": "final",
    "code": RATE,
    "subject": {"reference": "Patient/p"},
    "effectiveDateTime": "2026-03-01T02:10:00Z",
    "identifier": [{"system": "urn:oid:2.999.1", "value": "O-1"}],
}
CONDITIONS = (
    "patient=Patient/p&date=2026-03-01T02:10:00Z",
    "patient=p&code=http://loinc.org|8867-4&date=2026-03-01",
    "identifier=urn:oid:2.999.1|O-1&code=8867-4",
    "identifier=O-1,O-2&status=final",
    "_id=seen",
    "_id=seen,other&code=8867-4",
    "code=8867-4&value-quantity:missing=true",
    "subject:Patient=p&category:missing=true",
    "date=ge2026-03-01&date=lt2026-03-02&patient=p",
)


def rates(client: TestClient) -> int:
    return int(valid(client.get("/fhir/Observation?_summary=count"))["total"])


def write(client: TestClient, method: str, condition: str, body: Any, **headers: str) -> Any:
    if method == "POST":
        return client.post("/fhir/Observation", json=body, headers=FHIR | {"if-none-exist": condition} | headers)
    kind = JSON_PATCH if method == "PATCH" else FHIR
    return client.request(method, f"/fhir/Observation?{condition}", json=body, headers=kind | headers)


BODIES: dict[str, Any] = {
    "POST": SEEN,
    "PUT": SEEN | {"language": "en"},
    "PATCH": [{"op": "add", "path": "/language", "value": "en"}],
    "DELETE": None,
}


@pytest.mark.parametrize("condition", CONDITIONS)
def test_none_one_and_several_are_told_apart_by_any_condition(client: TestClient, condition: str) -> None:
    put(client, {"resourceType": "Patient", "id": "p"})
    unlike = {"resourceType": "Observation", "id": "unlike", "status": "amended", "code": {"text": "x"}}
    put(client, unlike | {"valueQuantity": {"value": 1}, "category": [{"text": "x"}]})
    # none
    refused(write(client, "PATCH", condition, BODIES["PATCH"]), 404, "not-found", "matches no Observation")
    assert write(client, "DELETE", condition, None).status_code == 204
    made = write(client, "PUT", condition, SEEN | {"id": "seen"})
    assert (made.status_code, valid(made)["id"]) == (201, "seen")
    # one
    found = write(client, "POST", condition, SEEN | {"language": "fr"})
    assert found.status_code == 200
    assert found.headers["location"].endswith("/Observation/seen/_history/1")
    changed = write(client, "PUT", condition, SEEN | {"language": "fr"})
    assert (changed.status_code, changed.headers["etag"]) == (200, 'W/"2"')
    patched = write(client, "PATCH", condition, BODIES["PATCH"])
    assert (patched.headers["etag"], valid(patched)["language"]) == ('W/"3"', "en")
    refused(write(client, "PUT", condition, SEEN | {"id": "x"}), 400, "value", "matches Observation/seen, but")
    assert rates(client) == 2
    # several
    put(client, SEEN | {"id": "other"})
    if condition != "_id=seen":  # an id is of one
        for method, body in BODIES.items():
            answer = write(client, method, condition, body)
            refused(answer, 412, "multiple-matches", "matches 2 Observation resources")
        assert rates(client) == 3
        client.delete("/fhir/Observation/other")
    gone = write(client, "DELETE", condition, None)
    assert (gone.status_code, gone.headers["etag"]) == (204, 'W/"4"')
    assert client.get("/fhir/Observation/seen").status_code == 410
    assert client.get("/fhir/Observation/unlike").headers["etag"] == 'W/"1"'


def test_a_condition_that_is_not_wholly_applied_is_refused_not_ignored(client: TestClient) -> None:
    put(client, SEEN | {"id": "seen", "subject": {"display": "x"}})
    for condition, code, says in (
        ("code=8867-4&nothing=x", "not-supported", "Observation is not searched by 'nothing'"),
        ("code=8867-4&_count=1", "not-supported", "Observation is not searched by '_count'"),
        (
            "code=8867-4&patient.name=x",
            "not-supported",
            "takes parameters of Observation itself; patient.name leads on",
        ),
        ("_has:Provenance:target:agent=x", "not-supported", "takes parameters of Observation itself"),
        ("code:above=8867-4", "not-supported", "code:above"),
        ("date=yesterday", "value", "takes a date"),
        ("code=8867-4&patient=", "value", "The parameter patient of a condition needs a value"),
        ("&".join(["code=8867-4"] * 11), "value", "A condition takes at most 10 criteria with 200 alternatives in all"),
        ("code=" + ",".join(["8867-4"] * 201), "value", "got 1 with 201"),
    ):
        for method, body in BODIES.items():
            refused(write(client, method, condition, body), 400, code, says)
            entry = part(body, method, "Observation" if method == "POST" else f"Observation?{condition}")
            if method == "POST":
                entry["request"]["ifNoneExist"] = condition
            if method != "PATCH":
                refused(send(client, entry), 400, code, says)
                assert statuses(batch(client, entry)) == ["400"]
    assert client.get("/fhir/Observation/seen").headers["etag"] == 'W/"1"'
    assert rates(client) == 1


@pytest.mark.parametrize("method", ["POST", "PUT"])
@pytest.mark.parametrize(
    ("condition", "about"),
    [
        ("patient=Patient/p&date=2026-03-01T02:10:00Z", {}),
        ("identifier=urn:oid:2.999.1|O-1&code=8867-4", {}),
        ("code=http://loinc.org|8867-4", {"subject": {"display": "x"}}),  # nothing else that two would share
        ("date=2026-03-01&status=final", {"subject": {"display": "x"}}),
    ],
)
def test_twenty_at_once_under_one_condition_make_one(
    client: TestClient, method: str, condition: str, about: dict[str, Any]
) -> None:
    put(client, {"resourceType": "Patient", "id": "p"})
    swapped = "&".join(reversed(condition.split("&")))  # the same condition, written otherwise
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda n: write(client, method, (condition, swapped)[n % 2], SEEN | about), range(20)))
    assert sorted(one.status_code for one in answers) == [200] * 19 + [201]
    assert len({one.headers["location"] for one in answers}) == 1
    assert rates(client) == 1


def test_two_conditions_that_share_an_identifier_wait_for_each_other(client: TestClient) -> None:
    shared = ("identifier=urn:oid:2.999.1|O-1", "identifier=O-1&status=final", "code=8867-4&identifier=|x,O-1")
    with ThreadPoolExecutor(18) as pool:
        answers = list(
            pool.map(lambda n: write(client, "POST", shared[n % 3], SEEN | {"subject": {"display": "x"}}), range(18))
        )
    assert sorted(one.status_code for one in answers) == [200] * 17 + [201]


def test_conditions_of_a_transaction_see_what_stands_after_the_writes_before_them(client: TestClient) -> None:
    rate = "code=8867-4&date=2026-03-01"
    put(client, SEEN | {"id": "old", "subject": {"display": "x"}})
    seen = SEEN | {"subject": {"display": "x"}}
    answer = send(
        client,
        part(seen, "POST", "Observation", SECOND, ifNoneExist="status=final&date=2026-03-01"),
        part(None, "DELETE", f"Observation?{rate}"),
        part(seen, "POST", "Observation", FIRST, ifNoneExist=rate),
        part(about(SECOND), "POST", "Provenance"),
        part(about(f"Observation?{rate}"), "POST", "Provenance"),
    )
    told = responses(answer)
    assert [one["status"][:3] for one in told] == ["201", "204", "200", "201", "201"]
    made = told[0]["location"].removeprefix("http://testserver/fhir/").removesuffix("/_history/1")
    assert told[2]["location"] == told[0]["location"]
    for number in (3, 4):
        assert valid(client.get(told[number]["location"]))["target"] == [{"reference": made}]
    assert client.get("/fhir/Observation/old").status_code == 410


def about(target: str) -> dict[str, Any]:
    return {
        "resourceType": "Provenance",
        "target": [{"reference": target}],
        "recorded": "2026-03-01T02:00:00Z",
        "agent": [{"who": {"display": "x"}}],
    }


@pytest.mark.parametrize("matches", [0, 2])
def test_a_conditional_reference_by_more_than_an_identifier_needs_exactly_one(client: TestClient, matches: int) -> None:
    for number in range(matches):
        put(client, SEEN | {"id": f"o{number}", "subject": {"display": "x"}})
    sound = part({"resourceType": "Patient"}, "POST", "Patient")
    answer = send(client, sound, part(about("Observation?code=8867-4&status=final"), "POST", "Provenance"))
    code = "multiple-matches" if matches else "conflict"
    refused(answer, 412, code, f"matches {matches} resources; it must match exactly one")
    assert answer.json()["issue"][0]["expression"] == ["Bundle.entry[1].resource"]  # operationoutcome.html: where it is


def test_a_batch_takes_conditions_too_and_a_retry_changes_nothing(client: TestClient) -> None:
    def asked() -> list[str]:
        seen = SEEN | {"subject": {"display": "x"}}
        return statuses(
            batch(
                client,
                part(seen, "POST", "Observation", ifNoneExist="code=8867-4&date=2026-03-01"),
                part(seen, "PUT", "Observation?code=8867-4&status=final"),
                part(None, "DELETE", "Observation?code=8867-4&status=amended"),
            )
        )

    assert asked() == ["201", "200", "204"]
    everything = valid(client.get("/fhir/_history"))
    assert asked() == ["200", "200", "204"]
    assert valid(client.get("/fhir/_history")) == everything


LONG = "".join(Random(7).choices("abcdefghijklmnopqrstuvwxyz0123456789éŁ北", k=9000))  # no packing makes it short


@pytest.mark.parametrize("system", ["urn:oid:2.999.1", f"urn:x:{LONG[:3000]}"])
def test_an_identifier_of_any_length_is_one(client: TestClient, system: str) -> None:
    """R4 sets no limit below 1 MB (datatypes.html#string); a row of an index in PostgreSQL has one (its manual, 11.1)."""
    for id_, value in (("a", LONG), ("b", LONG[:-1] + "x")):  # they differ in the last letter
        body = {"resourceType": "Patient", "identifier": [{"system": system, "value": value}]}
        assert put(client, body | {"id": id_}).status_code == 201
        condition = urlencode({"identifier": f"{system}|{value}"})
        for asked in (condition, f"{condition}&_id={id_}", urlencode({"identifier": value})):
            again = client.post("/fhir/Patient", json=body, headers=FHIR | {"if-none-exist": asked})
            assert (again.status_code, again.headers["location"].split("/")[-3]) == (200, id_)
            [found] = valid(client.get(f"/fhir/Patient?{asked}"))["entry"]
            assert found["resource"]["id"] == id_
        twice = [part(body, "POST", "Patient", ifNoneExist=urlencode({"identifier": f"{system}|{value}y"}))] * 2
        assert [one["status"][:3] for one in responses(send(client, *twice))] == ["201", "201"]


def test_a_transaction_of_many_conditions_is_one_of_each_and_again_nothing(client: TestClient) -> None:
    def case() -> list[str]:
        parts = []
        for number in range(200):
            seen = SEEN | {
                "subject": {"display": "x"},
                "effectiveDateTime": f"2026-03-01T02:{number // 60:02}:{number % 60:02}Z",
            }
            asked = f"code=8867-4&date={seen['effectiveDateTime']}"
            parts += [part(seen, "POST", "Observation", ifNoneExist=asked)] * 2
        return [one["status"][:3] for one in responses(send(client, *parts))]

    assert case() == ["201", "200"] * 200
    assert case() == ["200", "200"] * 200
    assert rates(client) == 200
