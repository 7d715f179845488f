"""A Binary is given as its content to who asks for that, and as a resource to everybody else.

Source: http://hl7.org/fhir/R4/binary.html#rest ("the content should be returned using the content type stated in the
resource" to who names no FHIR type); RFC 9110, 12.5.1 (weights). Who takes anything gets the resource here.
"""

from base64 import b64encode

import pytest
from starlette.testclient import TestClient

from .test_fhir import FHIR, PATIENT, put
from .walked import refused, valid

CONTENT = bytes(range(256)) * 3
BINARY = {
    "resourceType": "Binary",
    "id": "scan",
    "contentType": "application/pdf",
    "data": b64encode(CONTENT).decode(),
}


@pytest.fixture
def scanned(client: TestClient) -> TestClient:
    assert client.put("/fhir/Binary/scan", json=BINARY, headers=FHIR).status_code == 201
    return client


@pytest.mark.parametrize(
    "accept", ["application/pdf", "application/*;q=0.1, application/pdf", "application/pdf, */*;q=0.5"]
)
@pytest.mark.parametrize("path", ["/fhir/Binary/scan", "/fhir/Binary/scan/_history/1"])
def test_who_wants_the_content_gets_its_bytes(scanned: TestClient, accept: str, path: str) -> None:
    answer = scanned.get(path, headers={"accept": accept})
    assert (answer.status_code, answer.content) == (200, CONTENT)
    assert answer.headers["content-type"] == "application/pdf"
    assert (answer.headers["etag"], answer.headers["x-content-type-options"]) == ('W/"1"', "nosniff")
    assert answer.headers["content-security-policy"] == "sandbox"
    head = scanned.head(path, headers={"accept": accept})
    assert (head.content, head.headers["content-length"]) == (b"", str(len(CONTENT)))
    again = scanned.get(path, headers={"accept": accept, "if-none-match": 'W/"1"'})
    assert (again.status_code, again.content) == (304, b"")


def test_a_cache_is_told_that_the_form_depends_on_accept(scanned: TestClient) -> None:
    """RFC 9110, 12.5.5; 15.4.5 (a 304 carries the Vary that the 200 would have had)."""
    put(scanned, PATIENT | {"id": "p"})
    for accept in ("application/pdf", "application/fhir+json"):
        for has, status in ({}, 200), ({"if-none-match": 'W/"1"'}, 304):
            for path in ("/fhir/Binary/scan", "/fhir/Binary/scan/_history/1"):
                answer = scanned.get(path, headers={"accept": accept, **has})
                varying = answer.headers.get("vary", "").split(", ")
                assert (answer.status_code, "Accept" in varying) == (status, True), (accept, path)
    assert "Accept" not in scanned.get("/fhir/Patient/p").headers.get("vary", "").split(", ")


def test_content_is_never_laid_out_and_the_resource_is(scanned: TestClient) -> None:
    for kind in ("application/pdf", "application/json-seq"):
        scanned.put("/fhir/Binary/scan", json=BINARY | {"contentType": kind}, headers=FHIR)
        answer = scanned.get("/fhir/Binary/scan?_pretty=true", headers={"accept": kind})
        assert (answer.status_code, answer.content) == (200, CONTENT)
    assert b'\n  "id": "scan"' in scanned.get("/fhir/Binary/scan?_pretty=true").content


@pytest.mark.parametrize(
    ("accept", "query"),
    [
        ("*/*", ""),
        ("application/fhir+json", ""),
        ("application/pdf;q=0.5, application/json", ""),
        ("application/pdf", "?_format=json"),
        ("application/pdf", "?_elements=contentType,data"),
        ("application/pdf", "?_summary=data"),
    ],
)
def test_everybody_else_gets_the_resource(scanned: TestClient, accept: str, query: str) -> None:
    resource = valid(scanned.get(f"/fhir/Binary/scan{query}", headers={"accept": accept}))
    assert (resource["contentType"], resource["data"]) == ("application/pdf", BINARY["data"])


def test_who_takes_neither_is_refused_and_nothing_else_is_given_so(scanned: TestClient) -> None:
    scanned.put("/fhir/Patient/application", json={"resourceType": "Patient", "id": "application"}, headers=FHIR)
    for path in (
        "/fhir/Binary/scan", "/fhir/Binary", "/fhir/Binary?_id=scan", "/fhir/Binary/scan/_history", "/fhir/Binary/_history",
        "/fhir/Patient/application", "/fhir/Binary/scan/$validate",
    ):  # fmt: skip
        for accept in ("image/png", "application/pdf"):
            if (path, accept) != ("/fhir/Binary/scan", "application/pdf"):
                refused(
                    scanned.get(path, headers={"accept": accept}),
                    406,
                    "not-supported",
                    "is given as application/fhir+json",
                )
    pdf = {"accept": "application/pdf"}
    refused(scanned.get("/fhir/Binary/none", headers=pdf), 404, "not-found", "was never here")
    scanned.delete("/fhir/Binary/scan")
    refused(scanned.get("/fhir/Binary/scan", headers=pdf), 410, "deleted", "was deleted")


def test_a_write_is_answered_in_json_only_and_refused_before_it_is_done(scanned: TestClient) -> None:
    for accept in ("image/png", "application/pdf"):
        taking = {"accept": accept}
        for answer in (
            scanned.put("/fhir/Binary/scan", json=BINARY | {"data": "AAAA"}, headers=FHIR | taking),
            scanned.delete("/fhir/Binary/scan", headers=taking),
        ):
            refused(answer, 406, "not-supported", "is given as application/fhir+json")
    assert valid(scanned.get("/fhir/Binary/scan"))["meta"]["versionId"] == "1"


def test_a_batch_gives_the_resource(scanned: TestClient) -> None:
    entry = {"request": {"method": "GET", "url": "Binary/scan"}}
    for kind in ("batch", "transaction"):
        answer = valid(scanned.post("/fhir", json={"resourceType": "Bundle", "type": kind, "entry": [entry]}))
        assert answer["entry"][0]["resource"]["data"] == BINARY["data"]
