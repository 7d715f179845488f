"""history and the versions behind it: order, pages, times, deletions.

Source: http://hl7.org/fhir/R4/http.html#history, #vread, #delete, #read; bundle.html (bdl-3, bdl-4, bdl-8).
"""

from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from .test_fhir import FHIR, PATIENT, put
from .walked import refused, valid


def lived(client: TestClient) -> None:
    """Create, update, delete and revive one patient, with another beside her; one second between requests."""
    for gender in ("unknown", "female"):
        put(client, PATIENT | {"id": "a", "gender": gender})
    put(client, PATIENT | {"id": "b"})
    client.delete("/fhir/Patient/a")
    put(client, PATIENT | {"id": "a", "gender": "other"})
    client.post("/fhir/Group", json={"resourceType": "Group", "type": "person", "actual": True}, headers=FHIR)


def told(bundle: dict[str, Any]) -> list[tuple[str, str, str]]:
    return [
        (one["request"]["method"], one["fullUrl"].rpartition("/")[2], one["response"]["etag"])
        for one in bundle.get("entry", ())
    ]


A = [("PUT", "a", 'W/"4"'), ("DELETE", "a", 'W/"3"'), ("PUT", "a", 'W/"2"'), ("PUT", "a", 'W/"1"')]
B = ("PUT", "b", 'W/"1"')


def test_an_instances_history_is_newest_first_and_has_its_deletion_without_a_resource(client: TestClient) -> None:
    lived(client)
    bundle = valid(client.get("/fhir/Patient/a/_history"))
    assert (bundle["type"], bundle["total"]) == ("history", 4)
    assert told(bundle) == A
    assert ["resource" in one for one in bundle["entry"]] == [True, False, True, True]
    assert [one["response"]["status"][:3] for one in bundle["entry"]] == ["200", "204", "200", "201"]
    for one in bundle["entry"]:
        assert one["fullUrl"] == "http://testserver/fhir/Patient/a"
        assert one["request"]["url"] == "Patient/a"
        version = one["response"]["etag"].strip('W/"')
        again = client.get(f"/fhir/Patient/a/_history/{version}")
        if "resource" in one:
            assert valid(again) == one["resource"]
            assert one["resource"]["meta"]["lastUpdated"] == one["response"]["lastModified"]
        else:
            refused(again, 410, "deleted", "was deleted")
    refused(client.get("/fhir/Patient/c/_history"), 404, "not-found", "was never here")
    refused(client.get("/fhir/Nothing/c/_history"), 404, "not-supported", "no resource type")
    client.delete("/fhir/Patient/a")
    assert valid(client.get("/fhir/Patient/a/_history"))["total"] == 5


def test_the_histories_of_a_type_and_of_everything(client: TestClient) -> None:
    lived(client)
    of_type = valid(client.get("/fhir/Patient/_history"))
    assert told(of_type) == [A[0], A[1], B, A[2], A[3]]
    everything = valid(client.get("/fhir/_history"))
    assert [one["request"]["method"] for one in everything["entry"]] == ["POST", "PUT", "DELETE", "PUT", "PUT", "PUT"]
    assert everything["entry"][0]["request"]["url"] == "Group"
    assert valid(client.get("/fhir/Observation/_history")).get("entry") is None


def test_pages_keep_every_parameter_and_are_stable_under_writes(client: TestClient) -> None:
    lived(client)
    seen: list[tuple[str, str, str]] = []
    address: str | None = "/fhir/Patient/_history?_count=2&_since=2026-03-01T00:00:00Z"
    while address is not None:
        page = valid(client.get(address))
        put(client, PATIENT | {"id": f"later-{len(seen)}"})
        links = {one["relation"]: one["url"] for one in page["link"]}
        assert all("_since=2026-03-01T00%3A00%3A00Z&_count=2" in one for one in links.values())
        assert len(page["entry"]) in (1, 2)
        seen += told(page)
        address = links["next"].removeprefix("http://testserver") if "next" in links else None
    assert seen == [A[0], A[1], B, A[2], A[3]]
    assert "entry" not in valid(client.get("/fhir/Patient/_history?_count=0"))


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        # the clock of these tests ticks a second with each request: a was written at :00, :01, deleted at :03, :04
        ("_since=2026-03-02T00:00:03Z", [A[0], A[1]]),
        ("_since=2026-03-02T00:00:03.001Z", [A[0]]),
        ("_since=2026-03-02T02:00:04%2B02:00", [A[0]]),
        ("_since=2026-03-02T02:00:04+02:00", [A[0]]),
        ("_since=2026-03-02T00:00:09Z", []),
        ("_at=2026-03-02T00:00:00Z", [A[3]]),
        ("_at=2026-03-02T00:00:02Z", [A[2]]),
        ("_at=2026-03-02T00:00:03Z", [A[1]]),
        ("_at=2026-03-02", A),
        ("_at=2026", A),
        ("_at=2026-03-01", []),
        ("_at=2026-04", [A[0]]),
        ("_at=2026-03-02&_since=2026-03-02T00:00:04Z", [A[0]]),
    ],
)
def test_since_and_at_choose_by_time(client: TestClient, query: str, wanted: list[tuple[str, str, str]]) -> None:
    for gender in ("unknown", "female"):
        put(client, PATIENT | {"id": "a", "gender": gender})
    put(client, PATIENT | {"id": "b"})
    client.delete("/fhir/Patient/a")
    put(client, PATIENT | {"id": "a", "gender": "other"})
    updated = valid(client.get("/fhir/Patient/a/_history"))["entry"]
    assert [one["response"]["lastModified"][17:19] for one in updated] == ["04", "03", "01", "00"]
    assert told(valid(client.get(f"/fhir/Patient/a/_history?{query}"))) == wanted


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("_since=2026-03-02", "The parameter _since must be an instant with offset"),
        ("_at=yesterday", "The parameter _at must be a date, or a date and time with offset; got 'yesterday'."),
        ("_at=2026-02-30", "The parameter _at must be a date"),
        ("_count=-1", "The parameter _count must be a whole number from 0"),
        ("_after=x", "The page cursor 'x' is not one of ours"),
        ("_summary=some", "The parameter _summary must be"),
        ("_summary=count", "The parameter _summary must be"),
    ],
)
def test_a_wrong_parameter_of_a_history_is_refused(client: TestClient, query: str, says: str) -> None:
    lived(client)
    for address in ("/fhir/_history", "/fhir/Patient/_history", "/fhir/Patient/a/_history"):
        refused(client.get(f"{address}?{query}"), 400, "value", says)


def test_a_parameter_that_is_not_applied_is_ignored_unless_the_client_is_strict(client: TestClient) -> None:
    lived(client)
    for address in ("/fhir/Patient/a/_history", "/fhir/Patient/a"):
        answer = client.get(f"{address}?{urlencode({'name': 'x'})}")
        assert answer.status_code == 200
        assert "name" not in answer.text.partition('"entry"')[0].replace('"name"', "")
        strict = client.get(f"{address}?name=x", headers={"prefer": "handling=strict"})
        refused(strict, 400, "not-supported", "The parameter 'name' is not applied here")


def test_a_history_in_summary(client: TestClient) -> None:
    lived(client)
    entries = valid(client.get("/fhir/Patient/a/_history?_elements=gender"))["entry"]
    assert [set(one["resource"]) for one in entries if "resource" in one] == [
        {"resourceType", "id", "meta", "gender"}
    ] * 3


def test_a_parameter_of_a_history_stands_once(client: TestClient) -> None:
    """Source: http.html#history ("Each of these parameters SHALL NOT appear more than once")."""
    put(client, {"resourceType": "Patient", "id": "a"})
    for twice in ("_count=1&_count=2", "_since=2026-01-01T00:00:00Z&_since=2027-01-01T00:00:00Z", "_at=2026&_at=2027"):
        refused(client.get(f"/fhir/Patient/_history?{twice}"), 400, "value", "was given with two values")
    assert client.get("/fhir/Patient/_history?_format=json&_format=json").status_code == 200
