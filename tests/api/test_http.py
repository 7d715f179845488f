"""What HTTP itself asks of both sides: methods, conditions, media types, sizes.

Source: RFC 9110 (9.1, 10.2.1, 13.1, 15.5), HL7 FHIR R4 http.html.
"""

import json
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from email.utils import format_datetime, parsedate_to_datetime
from typing import Any

import pytest
from starlette.testclient import TestClient

from api.fhir.understanding import MOST_ALTERNATIVES, MOST_CRITERIA

FHIR = {"content-type": "application/fhir+json"}
OPENING = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}


def said(answer: Any) -> str:
    """Return the first sentence of a refusal, of either side."""
    value = answer.json()
    return str(value["findings"][0]["sentence"] if "findings" in value else value["issue"][0]["diagnostics"])


@pytest.mark.parametrize(
    ("path", "allowed"),
    [
        ("/episodes", "GET, HEAD, POST"),
        ("/episodes/x/entries", "GET, HEAD, POST"),
        ("/episodes/x/state", "GET, HEAD"),
        ("/health", "GET, HEAD"),
        ("/openapi.json", "GET, HEAD"),
        ("/fhir", "POST"),
        ("/fhir/", "POST"),
        ("/fhir/metadata", "GET, HEAD"),
        ("/fhir/Patient", "DELETE, GET, HEAD, PATCH, POST, PUT"),
        ("/fhir/Patient/x", "DELETE, GET, HEAD, PATCH, PUT"),
        ("/fhir/Patient/x/_history", "GET, HEAD"),
        ("/fhir/Patient/x/_history/1", "GET, HEAD"),
        ("/fhir/Patient/_history", "GET, HEAD"),
        ("/fhir/_history", "GET, HEAD"),
        ("/fhir/Procedure/x/$episode", "GET, HEAD"),
    ],
)
@pytest.mark.parametrize("method", ["DELETE", "PATCH", "OPTIONS", "TRACE", "QUERY"])
def test_a_method_an_address_has_not_is_405_and_allow_lists_all_it_has(
    client: TestClient, method: str, path: str, allowed: str
) -> None:
    if method in allowed.split(", "):
        method = "LINK"
    answer = client.request(method, path)
    assert answer.status_code == 405
    assert ", ".join(sorted(answer.headers["allow"].split(", "))) == allowed
    assert said(answer).startswith(f"The method {method} is not for this address")
    kind = "application/fhir+json" if path.startswith("/fhir") else "application/json"
    assert answer.headers["content-type"] == f"{kind}; charset=utf-8"


def test_head_answers_as_get_does_without_the_body(client: TestClient) -> None:
    for path in ("/episodes", "/health", "/fhir/metadata", "/fhir/Patient"):
        head, got = client.head(path), client.get(path)
        assert (head.status_code, head.headers["content-type"]) == (200, got.headers["content-type"])


def test_a_request_keeps_its_own_name_or_is_given_one(client: TestClient) -> None:
    for path, status in (("/health", 200), ("/fhir/metadata", 200), ("/fhir/Patient/x", 404), ("/nix", 404)):
        answer = client.get(path, headers={"x-request-id": "night-7"})
        assert (answer.status_code, answer.headers["x-request-id"]) == (status, "night-7")
    assert len(client.get("/health", headers={"x-request-id": "two words"}).headers["x-request-id"]) == 36


def test_a_version_the_client_has_is_not_sent_again(client: TestClient) -> None:
    made = client.put("/fhir/Patient/p", content=b'{"resourceType":"Patient","id":"p"}', headers=FHIR)
    written = parsedate_to_datetime(made.headers["last-modified"])
    later, earlier = (format_datetime(written + timedelta(seconds=by), usegmt=True) for by in (5, -5))

    def status(**headers: str) -> int:
        return client.get("/fhir/Patient/p", headers={k.replace("_", "-"): v for k, v in headers.items()}).status_code

    for tags in ('W/"1"', '"1"', '"0", W/"1"', "*"):
        assert status(if_none_match=tags) == 304
    assert status(if_none_match='W/"2"') == 200
    assert status(if_modified_since=made.headers["last-modified"]) == 304
    assert status(if_modified_since=later) == 304
    assert status(if_modified_since=earlier) == 200
    assert status(if_modified_since="yesterday") == 200
    assert status(if_none_match='W/"2"', if_modified_since=later) == 200  # 13.1.3: tags count before times


@pytest.mark.parametrize("tag", ['W/"1"', '"1"', "1", "*", 'W/"7", W/"1"'])
def test_an_update_takes_the_tag_of_the_current_version_however_it_is_written(client: TestClient, tag: str) -> None:
    body = b'{"resourceType":"Patient","id":"p"}'
    client.put("/fhir/Patient/p", content=body, headers=FHIR)
    changed = body[:-1] + b',"active":true}'
    assert client.put("/fhir/Patient/p", content=changed, headers=FHIR | {"if-match": tag}).status_code == 200


@pytest.mark.parametrize("tag", ["*", "none", 'W/"none"', 'W/"0"', '""'])
def test_no_tag_matches_what_is_not_there(client: TestClient, tag: str) -> None:
    body = b'{"resourceType":"Patient","id":"p"}'
    answer = client.put("/fhir/Patient/p", content=body, headers=FHIR | {"if-match": tag})
    assert (answer.status_code, said(answer).endswith("the current version is none.")) == (412, True)


def test_another_fhir_version_is_refused_in_both_directions(client: TestClient) -> None:
    assert client.get("/fhir/metadata", headers={"accept": 'application/fhir+json; fhirVersion="4.0"'}).is_success
    assert client.get("/fhir/metadata", headers={"accept": "application/fhir+json; fhirVersion=5.0"}).status_code == 406
    sent = {"content-type": "application/fhir+json; fhirVersion=3.0"}
    answer = client.post("/fhir/Patient", content=b'{"resourceType":"Patient"}', headers=sent)
    assert (answer.status_code, said(answer)) == (415, "The body must be FHIR R4, fhirVersion 4.0; got 3.0.")


@pytest.mark.parametrize(
    ("path", "sentence"),
    [
        ("/episodes?limit=1&limit=2", "The parameter limit was given more than once; once is enough."),
        ("/episodes?after=x", "The parameter after must be the id of an episode of this service; got 'x'."),
        (
            "/episodes/x/entries?all=true&as_of=2026-03-01T02:00:00Z",
            "The parameter as_of asks for what stands at a moment, and all=true for everything received; give one.",
        ),
        (
            "/episodes/x/state?as_of=9999-12-31T23:59:59Z",
            (
                "The parameter as_of must be an instant with offset such as 2026-03-01T02:10:00Z, with seconds, "
                "of the years 1900 to 2999; got '9999-12-31T23:59:59Z'."
            ),
        ),
        (
            "/fhir/Patient?_after=x",
            "The page cursor 'x' is not one of ours; follow the link 'next' of the page before, unchanged.",
        ),
        ("/fhir/Patient?_count=some", "The parameter _count must be a whole number from 0; got 'some'."),
        (
            f"/fhir/Patient?identifier={','.join(map(str, range(MOST_ALTERNATIVES + 1)))}",
            (
                f"A search takes at most {MOST_CRITERIA} criteria with {MOST_ALTERNATIVES} alternatives in all; "
                f"got 1 with {MOST_ALTERNATIVES + 1}."
            ),
        ),
        (
            "/fhir/Procedure/x/$episode?at=1",
            "There is no parameter 'at' here; there are: as_of, known_at.",
        ),
    ],
)
def test_a_wrong_parameter_is_400_and_one_sentence(client: TestClient, path: str, sentence: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, said(answer)) == (400, sentence)


def test_the_largest_search_that_is_taken_is_answered(client: TestClient) -> None:
    each = MOST_ALTERNATIVES // MOST_CRITERIA
    criteria = "&".join(
        f"identifier={','.join(f'urn:s{one}|{number}-{one}' for one in range(each))}" for number in range(MOST_CRITERIA)
    )
    assert client.get(f"/fhir/Patient?{criteria}").json()["total"] == 0
    one = ",".join(f"urn:s{number}|{number}" for number in range(MOST_ALTERNATIVES))
    assert client.get(f"/fhir/Patient?identifier={one}").json()["total"] == 0


def test_a_queue_of_too_many_entries_is_refused_whole(client: TestClient) -> None:
    episode = client.post("/episodes", json=OPENING).json()["episode"]
    answer = client.post(f"/episodes/{episode}/entries", content=json.dumps([{}] * 2001), headers=FHIR)
    assert (answer.status_code, said(answer)) == (
        413, "A queue takes at most 2000 entries; got 2001. Send it in parts.",
    )  # fmt: skip
    assert client.get(f"/episodes/{episode}/held").json()["held"] == []


def test_lists_of_episodes_are_walked_by_next(client: TestClient) -> None:
    made = [client.post("/episodes", json=OPENING).json()["episode"] for _ in range(5)]
    seen: list[str] = []
    after = ""
    while True:
        listed = client.get(f"/episodes?limit=2{after}").json()
        seen += [one["episode"] for one in listed["episodes"]]
        if "next" not in listed:
            break
        after = f"&after={listed['next']}"
    assert seen == made[::-1]
    assert client.get("/episodes?limit=0").json() == {"episodes": []}


def test_twenty_identical_conditional_creates_make_one(client: TestClient) -> None:
    body = b'{"resourceType":"Patient","identifier":[{"system":"urn:oid:2.999.1","value":"W-17"}]}'
    asked = FHIR | {"if-none-exist": "identifier=urn:oid:2.999.1|W-17"}
    with ThreadPoolExecutor(20) as pool:
        answers = list(pool.map(lambda _: client.post("/fhir/Patient", content=body, headers=asked), range(20)))
    assert sorted(one.status_code for one in answers) == [200] * 19 + [201]
    assert len({one.headers["location"] for one in answers}) == 1


def test_what_was_taken_back_is_gone_and_its_versions_remain(client: TestClient) -> None:
    episode = client.post("/episodes", json=OPENING).json()["episode"]
    vitals = {
        "kind": "vital-signs", "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a02", "at": "2026-03-01T02:45:00Z",
        "pulse_per_min": 124, "systolic_mmhg": 92, "diastolic_mmhg": 50,
    }  # fmt: skip
    retraction = {
        "kind": "retraction", "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a03", "at": "2026-03-01T02:50:00Z",
        "retracts": vitals["id"], "reason": "another woman's",
    }  # fmt: skip
    client.post(f"/episodes/{episode}/entries", json=[vitals, retraction])
    address = f"/fhir/Observation/{vitals['id']}.shock-index"
    assert client.get(address).status_code == 404  # computed and taken back in one write: it was never there
    again = vitals | {"id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a04"}
    client.post(f"/episodes/{episode}/entries", json=again)
    address = f"/fhir/Observation/{again['id']}.shock-index"
    assert client.get(address).status_code == 200
    back = retraction | {"id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a05", "retracts": again["id"]}
    client.post(f"/episodes/{episode}/entries", json=back)
    gone = client.get(address)
    assert (gone.status_code, gone.json()["issue"][0]["code"]) == (410, "deleted")
    assert client.get(f"{address}/_history/1").status_code == 200
    assert client.get(f"{address}/_history/2").status_code == 410
    assert client.get(f"{address}/_history/3").status_code == 404


@pytest.mark.parametrize(
    ("method", "body", "headers", "status"),
    [
        ("POST", b"{", {}, 400),
        ("POST", b'{"a": 1, "a": 1}', {}, 400),
        ("POST", b'{"a": NaN}', {}, 400),
        ("POST", b'{"a": "\\ud800"}', {}, 400),
        ("POST", b"\xff", {}, 400),
        ("POST", b"[" * 500, {}, 400),
        ("POST", b" " * 200_001, {}, 413),
        ("POST", b"{}", {"content-type": "text/plain"}, 415),
        ("POST", b"{}", {"content-type": "application/json; fhirVersion=5.0"}, 415),
    ],
)
def test_both_sides_say_the_same_sentence_each_in_its_own_shape(
    client: TestClient, method: str, body: bytes, headers: dict[str, str], status: int
) -> None:
    bedside, fhir = (
        client.request(method, path, content=body, headers=FHIR | headers) for path in ("/episodes", "/fhir/Patient")
    )
    assert (bedside.status_code, fhir.status_code) == (status, status)
    assert said(bedside) == said(fhir)
    [finding], [issue] = bedside.json()["findings"], fhir.json()["issue"]
    assert issue["severity"] == finding["severity"]
    assert issue["details"] == {
        "coding": [{"system": "https://fhirmod.example.org/fhir/CodeSystem/finding", "code": finding["code"]}],
        "text": finding["sentence"],
    }
