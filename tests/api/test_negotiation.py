"""The form of an answer and of a body: media types, weights, charset, layout, parts, crowding, preflights.

Source: http://hl7.org/fhir/R4/http.html#mime-type, #parameters, #summary; search.html#summary, #elements;
RFC 9110, 12.5.1 (Accept), 15.5.14 (413), 15.5.16 (415); RFC 6585, 4 (429); Fetch standard, CORS protocol.
"""

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from api import Settings, create_app
from api.asking import JSON_PATCH
from api.clock import wall_clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.r4 import check, parse
from fhirmod.store import open_store

from .test_fhir import FHIR, PATIENT, put
from .walked import refused, valid

SUBSETTED = {"system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue", "code": "SUBSETTED"}


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("*/*", 200),
        ("application/*", 200),
        ("application/fhir+json", 200),
        ("application/json", 200),
        ("text/html, application/fhir+json;q=0.1", 200),
        ("application/fhir+json;q=0", 406),
        ("application/fhir+json; q=0.0, text/html", 406),
        ("application/fhir+json;q=0, application/json", 200),
        ("*/*;q=0", 406),
        ("application/*;q=0, */*", 200),  # text/json is one of the names of the form, and */* covers it
        ("application/*;q=0, text/*;q=0, */*", 406),
        ("*/*, application/*;q=0, text/*;q=0", 406),  # the closest range counts, wherever it stands
        ("application/fhir+xml", 406),
        ("text/html", 406),
        ("application/fhir+json;fhirVersion=3.0", 406),
        ("application/fhir+json;fhirVersion=3.0, application/fhir+json;fhirVersion=4.0", 200),
        ("application/fhir+json;q=high", 406),
        ("", 200),
    ],
)
def test_accept_is_weighed(client: TestClient, accept: str, status: int) -> None:
    put(client, PATIENT | {"id": "p"})
    answer = client.get("/fhir/Patient/p", headers={"accept": accept})
    assert answer.status_code == status
    assert valid(answer)["resourceType"] == ("Patient" if status == 200 else "OperationOutcome")
    assert client.get("/fhir/Patient/p?_format=json", headers={"accept": accept}).status_code == 200
    xml = client.get("/fhir/Patient/p?_format=application/fhir%2Bxml", headers={"accept": accept})
    refused(xml, 406, "not-supported", "is given as application/fhir+json")


@pytest.mark.parametrize(
    "name", ["json", "application/json", "application/fhir+json", "application/fhir%2Bjson", "text/json"]
)
def test_every_name_of_the_form_is_taken(client: TestClient, name: str) -> None:
    assert client.get(f"/fhir/metadata?_format={name}", headers={"accept": "text/html"}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "status", "says"),
    [
        ({"content-type": "application/fhir+json; charset=UTF-8"}, 201, ""),
        ({"content-type": 'application/json; charset="utf-8"'}, 201, ""),
        (
            {"content-type": "application/fhir+json; charset=iso-8859-1"},
            415,
            "must be in UTF-8; got charset iso-8859-1",
        ),
        ({"content-type": "application/fhir+json", "content-encoding": "gzip"}, 415, "packed by gzip"),
        ({"content-type": "application/fhir+json", "content-encoding": "identity"}, 201, ""),
        ({"content-type": "application/xml"}, 415, "must be JSON"),
        ({"content-type": "multipart/form-data"}, 415, "must be JSON"),
        ({"content-type": "application/json-patch+json"}, 415, "must be JSON"),
    ],
)
def test_a_body_is_json_in_utf_8_and_not_packed(
    client: TestClient, headers: dict[str, str], status: int, says: str
) -> None:
    answer = client.post("/fhir/Patient", content=json.dumps(PATIENT), headers=headers)
    assert answer.status_code == status
    if status == 415:
        refused(answer, 415, "not-supported", says)


def test_a_pretty_answer_says_the_same_with_every_digit(client: TestClient) -> None:
    text = '{"resourceType":"Observation","id":"o","status":"final","code":{"text":"\\u00e9"},"valueQuantity":{"value":1.50e2}}'
    client.put("/fhir/Observation/o", content=text, headers=FHIR)
    plain, pretty = (client.get(f"/fhir/Observation/o{query}") for query in ("", "?_pretty=true"))
    assert valid(plain) == valid(pretty)
    assert '\n    "value": 1.50e2\n' in pretty.text
    assert '"text": "\\u00e9"' in pretty.text
    assert len(pretty.content) == int(pretty.headers["content-length"])
    assert "\n" not in client.get("/fhir/Observation/o?_pretty=false").text
    assert "\n  " in client.get("/fhir/Observation/none?_pretty=true").text
    assert "\n  " in client.get("/fhir/Patient?_pretty=true").text
    assert client.head("/fhir/Observation/o?_pretty=true").status_code == 200


FULL: dict[str, Any] = {
    "resourceType": "Observation",
    "id": "o",
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">x</div>'},
    "status": "final",
    "code": {"text": "x"},
    "issued": "2026-03-01T02:00:00Z",
    "note": [{"text": "n"}],
    "method": {"text": "m"},
    "component": [{"code": {"text": "c"}, "valueString": "v", "interpretation": [{"text": "high"}]}],
}


@pytest.mark.parametrize(
    ("query", "kept"),
    [
        # http://hl7.org/fhir/R4/observation.html marks these with the sign for summary; status and code must be there
        ("_summary=true", {"status", "code", "issued", "component"}),
        ("_summary=text", {"text", "status", "code"}),
        ("_summary=data", {"status", "code", "issued", "note", "method", "component"}),
        ("_elements=note", {"note", "status", "code"}),
        ("_elements=Observation.note,method,nothing", {"note", "method", "status", "code"}),
    ],
)
def test_a_part_of_a_resource_is_tagged_and_may_not_be_sent_back(
    client: TestClient, query: str, kept: set[str]
) -> None:
    put(client, FULL)
    whole = client.get("/fhir/Observation/o")
    for address in (f"/fhir/Observation/o?{query}", f"/fhir/Observation/o/_history/1?{query}"):
        answer = client.get(address)
        part = valid(answer)
        assert part.keys() - {"resourceType", "id", "meta"} == kept
        assert part["meta"]["tag"] == [SUBSETTED]
        assert answer.headers["etag"] == whole.headers["etag"]
    if query == "_summary=true":
        assert part["component"] == [{"code": {"text": "c"}, "valueString": "v"}]
    [found] = valid(client.get(f"/fhir/Observation?{query}"))["entry"]
    assert found["resource"] == part
    refused(put(client, part), 422, "business-rule", "is tagged SUBSETTED")
    entry = {"resource": part, "request": {"method": "PUT", "url": "Observation/o"}}
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": [entry]}
    refused(client.post("/fhir", json=bundle, headers=FHIR), 422, "business-rule", "is tagged SUBSETTED")
    assert client.get("/fhir/Observation/o").content == whole.content


def test_a_search_counts_alone_when_asked(client: TestClient) -> None:
    put(client, FULL)
    for query in ("_summary=count", "_count=0"):
        bundle = valid(client.get(f"/fhir/Observation?{query}"))
        assert (bundle["total"], "entry" in bundle) == (1, False)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("_summary=all", "The parameter _summary must be"),
        ("_summary=true&_elements=status", "exclude each other"),
        ("_elements=,", "needs names of elements"),
    ],
)
def test_a_part_that_cannot_be_understood_is_refused(client: TestClient, query: str, says: str) -> None:
    put(client, FULL)
    for address in ("/fhir/Observation/o", "/fhir/Observation", "/fhir/Observation/o/_history"):
        refused(client.get(f"{address}?{query}"), 400, "value", says)


def test_every_part_of_every_valid_instance_is_a_resource_with_all_that_must_be_there() -> None:
    from fhirmod.r4 import elements, narrative, summary
    from tests.r4.corpus import valid as corpus

    for one in corpus().values():
        for part in (summary(one), narrative(one), elements(one, ("id",))):
            missing = [finding.sentence for finding in check(part) if finding.code == "missing-element"]
            assert missing == [], (one["resourceType"], missing)


@pytest.mark.parametrize(
    "prefer", ["return=minimal", 'return="minimal"', "return=minimal; handling=strict", "respond-async, return=minimal"]
)
def test_a_preference_is_read_however_it_is_written(client: TestClient, prefer: str) -> None:
    answer = client.post("/fhir/Patient", json=PATIENT, headers=FHIR | {"prefer": prefer})
    assert (answer.status_code, answer.content) == (201, b"")
    unknown = client.post("/fhir/Patient", json=PATIENT, headers=FHIR | {"prefer": "return=everything"})
    assert valid(unknown)["resourceType"] == "Patient"


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "PATCH", "DELETE"])
def test_a_preflight_allows_each_method_and_header_a_client_needs(client: TestClient, method: str) -> None:
    names = (
        "authorization, content-type, prefer, if-match, if-none-match, if-none-exist, if-modified-since, x-request-id"
    )
    asked = {
        "origin": "https://ehr.example",
        "access-control-request-method": method,
        "access-control-request-headers": names,
    }
    answer = client.options("/fhir/Patient/p", headers=asked)
    assert answer.status_code == 200
    assert method in answer.headers["access-control-allow-methods"]
    refused_header = asked | {"access-control-request-headers": "x-not-one-of-ours"}
    assert client.options("/fhir/Patient/p", headers=refused_header).status_code == 400
    for path in ("/fhir/Patient/none", "/fhir/Patient?_format=xml"):
        wrong = client.get(path, headers={"origin": "https://ehr.example"})
        assert wrong.headers["access-control-allow-origin"] == "*"


def test_beyond_the_most_at_once_a_client_is_told_to_come_again(tmp_path: Path) -> None:
    async def ask(app: Any, path: str, go_on: asyncio.Event | None = None) -> tuple[int, dict[str, str], bytes]:
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            if go_on is not None:
                await go_on.wait()
            return {"type": "http.request", "body": b'{"resourceType":"Patient"}'}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        method = "GET" if go_on is None else "POST"
        scope = {"type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": b""}
        named = {"server": ("testserver", 80), "scheme": "http", "root_path": "", "http_version": "1.1"}
        await app({**scope, **named, "headers": [(b"content-type", b"application/json")]}, receive, send)
        headers = {key.decode(): value.decode() for key, value in sent[0]["headers"]}
        return sent[0]["status"], headers, sent[1]["body"]

    async def crowd(app: Any) -> None:
        go_on = asyncio.Event()
        first = asyncio.create_task(ask(app, "/fhir/Patient", go_on))
        await asyncio.sleep(0.05)
        status, headers, body = await ask(app, "/fhir/metadata")
        assert (status, headers["retry-after"]) == (429, "1")
        assert headers["x-request-id"]
        assert parse(body)["issue"][0]["code"] == "throttled"
        assert (await ask(app, "/health"))[0] == 200
        go_on.set()
        assert (await first)[0] == 201
        assert (await ask(app, "/fhir/metadata"))[0] == 200

    settings = Settings(db=tmp_path / "record.db", most_at_once=1)
    with open_store(f"sqlite:///{settings.db}") as store:
        asyncio.run(crowd(create_app(settings, Intake(store, Protocol.default()), wall_clock())))


def test_no_refusal_repeats_what_a_person_is_called(client: TestClient) -> None:
    named = {"resourceType": "Patient", "id": "p", "name": [{"family": "Invented-Name", "famly": "Invented-Name"}]}
    value = [{"op": "test", "path": "/gender", "value": "Invented-Name"}]
    put(client, PATIENT | {"id": "p", "gender": "female"})
    for answer in (
        put(client, named),
        client.post("/fhir/Patient", json=named, headers=FHIR),
        client.patch("/fhir/Patient/p", json=value, headers={"content-type": "application/json-patch+json"}),
        client.get("/fhir/Patient/Invented Name"),
    ):
        assert answer.status_code in (404, 422)
        assert "Invented" not in answer.text


def test_the_general_parameters_are_of_every_interaction_and_no_condition(client: TestClient) -> None:
    """Source: http.html#parameters (_format, _pretty, _summary and _elements "are defined for use with all of the
    interactions")."""
    asked = "_summary=true&_format=json&_pretty=true"
    resource = PATIENT | {"gender": "female", "maritalStatus": {"text": "not known"}}
    made = client.post(f"/fhir/Patient?{asked}", json=resource, headers=FHIR)
    id_ = valid(made)["id"]
    assert (made.status_code, "maritalStatus" in valid(made), "SUBSETTED" in made.text) == (201, False, True)
    whole = valid(client.get(f"/fhir/Patient/{id_}"))
    assert (whole["maritalStatus"], "SUBSETTED" in str(whole)) == ({"text": "not known"}, False)
    changed = client.put(
        f"/fhir/Patient/{id_}?_elements=gender", json=resource | {"id": id_, "gender": "male"}, headers=FHIR
    )
    assert valid(changed).keys() == {"resourceType", "id", "meta", "gender"}
    by_condition = "identifier=urn:oid:2.999.1|W-17&_elements=gender"
    changed = client.put(f"/fhir/Patient?{by_condition}", json=resource | {"gender": "other"}, headers=FHIR)
    assert (changed.status_code, valid(changed)["gender"], valid(changed)["id"]) == (200, "other", id_)
    change = [{"op": "replace", "path": "/gender", "value": "female"}]
    patched = client.patch(f"/fhir/Patient?{by_condition}", json=change, headers={"content-type": JSON_PATCH})
    assert valid(patched)["meta"]["versionId"] == "4"
    refused(client.delete("/fhir/Patient?_summary=true"), 400, "value", "needs an id in its address, or a condition")
    for method, path in (("POST", "/Patient"), ("PUT", f"/Patient/{id_}"), ("PATCH", f"/Patient/{id_}")):
        kind = {"content-type": JSON_PATCH} if method == "PATCH" else FHIR
        body = change if method == "PATCH" else resource | {"id": id_, "gender": "unknown"}
        wrong = client.request(method, f"/fhir{path}?_summary=some", json=body, headers=kind)
        refused(wrong, 400, "value", "The parameter _summary must be")
    assert valid(client.get("/fhir/Patient"))["entry"][0]["resource"]["gender"] == "female"  # and nothing was written
    assert valid(client.get("/fhir/Patient"))["total"] == 1
    bundle = {
        "resourceType": "Bundle",
        "type": "batch",
        "entry": [{"request": {"method": "GET", "url": f"Patient/{id_}"}}],
    }
    assert valid(client.post(f"/fhir?{asked}", json=bundle, headers=FHIR))["type"] == "batch-response"
