"""The bedside side over HTTP: what a plug-in posts and asks, and what it is told when it is wrong."""

import json
from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import check, parse
from tests.intake.case import entry, new_id, told

OPENING = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}


def opened(client: TestClient, **fields: Any) -> str:
    answer = client.post("/episodes", json=OPENING | fields)
    assert answer.status_code == 201, answer.text
    assert answer.headers["location"] == f"http://testserver/episodes/{answer.json()['episode']}"
    return f"/episodes/{answer.json()['episode']}"


def sentences(answer: Any) -> list[str]:
    return [one["sentence"] for one in answer.json()["findings"]]


def test_an_episode_is_opened_listed_and_shown(client: TestClient) -> None:
    episode = opened(client)
    [listed] = client.get("/episodes?status=open").json()["episodes"]
    assert listed == client.get(episode).json()
    assert listed["anchor"] == f"Procedure/{listed['episode']}.anchor"
    assert client.get("/episodes?status=closed").json() == {"episodes": []}


def test_the_same_opening_again_is_200_and_another_under_its_id_409(client: TestClient) -> None:
    document = OPENING | {"id": new_id()}
    opened(client, id=document["id"])
    assert client.post("/episodes", json=document).status_code == 200
    assert client.post("/episodes", json=document | {"drill": True}).status_code == 409


def test_a_queue_is_judged_entry_by_entry_and_one_alone_has_its_own_status(client: TestClient) -> None:
    episode = opened(client)
    fill = entry("fill", "02:52", volume_ml=50)
    answer = client.post(f"{episode}/entries", json=[fill, {"kind": "fill", "volum": 50}])
    assert answer.status_code == 200
    assert [one["status"] for one in answer.json()["entries"]] == ["accepted", "refused"]
    assert client.post(f"{episode}/entries", json=fill).json()["entries"][0]["status"] == "repeat"
    assert client.post(f"{episode}/entries", json=fill | {"volume_ml": 60}).status_code == 409
    assert client.post(f"{episode}/entries", json={"kind": "fill"}).status_code == 422
    waiting = entry("retraction", "03:00", retracts=new_id(), reason="slip")
    assert client.post(f"{episode}/entries", json=waiting).status_code == 202
    assert client.post(f"{episode}/entries", json={"entries": told()}).status_code == 200
    held = client.get(f"{episode}/held").json()["held"]
    assert [one["waiting_for"] for one in held] == ["repair", "repair", "original"]


def test_a_dry_run_and_an_atomic_queue_leave_nothing_behind(client: TestClient) -> None:
    episode = opened(client)
    answer = client.post(f"{episode}/entries?dryRun=true", json=told())
    assert answer.json()["dry_run"]
    assert client.post(f"{episode}/entries?atomic=true", json=[told()[0], {"kind": "fill"}]).status_code == 422
    assert len(client.get(f"{episode}/entries?all=true").json()["received"]) == 1


def test_digits_come_back_as_they_were_sent(client: TestClient) -> None:
    episode = opened(client)
    body = json.dumps(entry("laboratory", "03:00")).replace("}", ', "haemoglobin_g_dl": 1.80, "lactate_mmol_l": 0.010}')
    assert (
        client.post(f"{episode}/entries", content=body, headers={"content-type": "application/json"}).status_code == 200
    )
    text = client.get(f"{episode}/entries").text
    assert '"haemoglobin_g_dl":1.80' in text
    assert '"lactate_mmol_l":0.010' in text


def test_as_of_and_known_at_are_two_questions(client: TestClient) -> None:
    episode = opened(client)
    client.post(f"{episode}/entries", json=told())

    def kinds(query: str) -> int:
        return len(client.get(f"{episode}/entries?{query}").json()["entries"])

    assert kinds("as_of=2026-03-01T02:11:00Z") == 6
    assert kinds("known_at=2026-03-01T12:00:00Z") == 0
    assert kinds("as_of=2026-03-01T03:11:00 01:00") == 6  # a plus sign that arrived as a blank
    state = client.get(f"{episode}/state?as_of=2026-03-01T02:20:00Z").json()
    assert state["balloons"][0]["compartments"][0]["volume"]["ml"] == 100
    assert state["cautions"][0].startswith("This is a record of care.")


def test_the_case_leaves_as_a_valid_bundle(client: TestClient) -> None:
    episode = opened(client)
    client.post(f"{episode}/entries", json=told())
    for query, type_ in (("", "collection"), ("?type=transaction", "transaction")):
        answer = client.get(f"{episode}/bundle{query}")
        assert answer.headers["content-type"] == "application/fhir+json; charset=utf-8"
        bundle = parse(answer.content)
        assert (bundle["type"], [one for one in check(bundle) if one.refuses]) == (type_, [])


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "says"),
    [
        ("POST", "", b"{", 400, "line 1"),
        ("POST", "", b'{"at": "2026-03-01T02:00:00Z", "at": "2026-03-01T02:00:00Z"}', 400, "at"),
        ("POST", "", b'{"at": NaN}', 400, "line 1"),
        ("POST", "", b"7", 422, "must be a JSON object"),
        ("POST", "", b'{"at": "2026-03-01T02:00:00Z"}', 422, "needs the field facility; it was not given"),
        (
            "POST",
            "",
            b'{"at": "yesterday", "facility": {"id": "x"}}',
            422,
            "it must look like 2026-03-01T02:10:00+01:00",
        ),
        (
            "POST",
            "",
            b'{"id": "x", "at": "2026-03-01T02:00:00Z", "facility": {"id": "x"}}',
            422,
            "it must be a UUID in lower case, such as 0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80001",
        ),
        ("POST", "?x=1", b"{}", 400, "There is no parameter 'x' here"),
        ("GET", "?limit=-1", None, 400, "must be a whole number from 0; got '-1'"),
        ("GET", "?status=shut", None, 400, "must be open or closed; got 'shut'"),
        ("GET", "/00000000-0000-4000-8000-00000000dead", None, 404, "There is no episode"),
        ("GET", "/00000000-0000-4000-8000-00000000dead/state?as_of=2026", None, 400, "must be an instant with offset"),
        ("GET", "/x/state", None, 404, "There is no episode"),
        ("POST", "/x/entries", b"[]", 404, "There is no episode"),
        ("GET", "/x/bundle?type=paper", None, 400, "must be collection or transaction"),
        ("DELETE", "", None, 405, "is not for this address"),
        ("GET", "/x/y/z", None, 404, "There is nothing at this address"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(
    client: TestClient, method: str, path: str, body: bytes | None, status: int, says: str
) -> None:
    answer = client.request(method, f"/episodes{path}", content=body, headers={"content-type": "application/json"})
    assert answer.status_code == status, answer.text
    assert says in " ".join(sentences(answer))
    assert all(one.endswith((".", "?")) for one in sentences(answer))


def test_a_body_of_another_type_or_too_long_is_refused(client: TestClient) -> None:
    assert client.post("/episodes", content=b"a=1", headers={"content-type": "text/plain"}).status_code == 415
    answer = client.post("/episodes", content=b" " * 200_001, headers={"content-type": "application/json"})
    assert answer.status_code == 413
    assert sentences(answer) == ["The body must be at most 200000 bytes; it is longer."]


def test_a_failure_nobody_expected_has_an_answer_and_tells_nothing(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    name = "Maria of bed 3"

    def fail(*_: Any) -> None:
        raise RuntimeError(name)

    monkeypatch.setattr("fhirmod.intake.Intake.snapshot", fail)
    for path in ("/episodes/x", "/fhir/Procedure/x"):
        monkeypatch.setattr("fhirmod.store.Store.read", fail)
        answer = client.get(path, headers={"x-request-id": "night-7"})
        assert (answer.status_code, answer.headers["x-request-id"]) == (500, "night-7")
        assert "Maria" not in answer.text
    assert "night-7 failed on RuntimeError" in caplog.text
    assert "Maria" not in caplog.text


def test_health_says_that_it_is_there(client: TestClient) -> None:
    assert client.get("/health").json()["status"] == "ok"
