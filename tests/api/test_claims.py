"""What /fhir/metadata claims of each type is done, and what it does not claim is never answered with success.

Source: http://hl7.org/fhir/R4/capabilitystatement.html ("a statement of actual server functionality"), http.html
for what each interaction is. Names of the claims are R4's own.
"""

import json
from typing import Any
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

from api.fhir.capability import statement
from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.mapping import searches
from fhirmod.r4 import KNOWN_TYPES, RESOURCE_TYPES, dump
from tests.r4.corpus import valid as corpus

from .test_fhir import FHIR
from .walked import refused, sought, valid

[REST] = statement("http://testserver/fhir")["rest"]
CLAIMED = {one["type"]: one for one in REST["resource"]}
STRICT = {"prefer": "handling=strict"}


def smallest() -> dict[str, dict[str, Any]]:
    """Return the smallest valid instance of each type in the labelled corpus."""
    found: dict[str, dict[str, Any]] = {}
    for one in sorted(corpus().values(), key=lambda one: len(dump(one))):
        found.setdefault(one["resourceType"], one)
    return found


SENT = smallest()
RESOURCES = pytest.mark.parametrize("type_", sorted(CLAIMED))
WRITTEN = pytest.mark.parametrize("type_", sorted(set(CLAIMED) - PUBLISHED_TYPES))  # the others: test_published


@WRITTEN
def test_every_interaction_claimed_for_a_type_is_done(client: TestClient, type_: str) -> None:
    claim, body = CLAIMED[type_], SENT[type_]
    assert {one["code"] for one in claim["interaction"]} == {
        "search-type",
        "create",
        "read",
        "vread",
        "update",
        "patch",
        "delete",
        "history-instance",
        "history-type",
    }
    made = client.post(f"/fhir/{type_}", content=dump(body), headers=FHIR)
    assert made.status_code == 201, made.text
    id_ = valid(made)["id"]
    assert made.headers["location"] == f"http://testserver/fhir/{type_}/{id_}/_history/1"
    first = valid(client.get(f"/fhir/{type_}/{id_}"))
    assert first["meta"]["versionId"] == "1"

    changed = dump({**body, "id": id_, "language": "en-GB"})
    assert claim["versioning"] == "versioned-update"
    update = client.put(f"/fhir/{type_}/{id_}", content=changed, headers=FHIR | {"if-match": 'W/"1"'})
    assert (update.status_code, update.headers["etag"]) == (200, 'W/"2"')
    stale = client.put(f"/fhir/{type_}/{id_}", content=changed, headers=FHIR | {"if-match": 'W/"1"'})
    refused(stale, 412, "conflict", "the current version is 2")
    assert claim["readHistory"]
    assert valid(client.get(f"/fhir/{type_}/{id_}/_history/1")) == first
    assert valid(client.get(f"/fhir/{type_}/{id_}/_history/2"))["language"] == "en-GB"
    found = valid(client.get(f"/fhir/{type_}?_id={id_}"))
    assert [one["resource"]["language"] for one in found["entry"]] == ["en-GB"]

    assert claim["conditionalRead"] == "full-support"
    for header in ({"if-none-match": 'W/"2"'}, {"if-modified-since": update.headers["last-modified"]}):
        assert client.get(f"/fhir/{type_}/{id_}", headers=header).status_code == 304
    assert claim["updateCreate"]
    mine = client.put(f"/fhir/{type_}/mine", content=dump({**body, "id": "mine"}), headers=FHIR)
    assert (mine.status_code, mine.headers["etag"]) == (201, 'W/"1"')

    content, kind = json_patch("en-US")
    headers = {"content-type": kind, "if-match": 'W/"2"'}
    patched = client.patch(f"/fhir/{type_}/{id_}", content=content, headers=headers)
    assert (patched.status_code, patched.headers["etag"]) == (200, 'W/"3"')
    assert valid(patched)["language"] == "en-US"
    client.put(f"/fhir/{type_}/{id_}", content=changed, headers=FHIR)
    refused(client.patch(f"/fhir/{type_}/{id_}", content=content, headers=headers), 412, "conflict", "version is 4")
    gone = client.delete(f"/fhir/{type_}/{id_}", headers={"if-match": 'W/"4"'})
    assert (gone.status_code, gone.content, gone.headers["etag"]) == (204, b"", 'W/"5"')
    refused(client.get(f"/fhir/{type_}/{id_}"), 410, "deleted", "was deleted")
    past = valid(client.get(f"/fhir/{type_}/{id_}/_history"))
    assert [one["request"]["method"] for one in past["entry"]] == ["DELETE", "PUT", "PUT", "PUT", "POST"]
    assert len(valid(client.get(f"/fhir/{type_}/_history"))["entry"]) == 6


def json_patch(language: str) -> tuple[bytes, str]:
    return dump([{"op": "replace", "path": "/language", "value": language}]), "application/json-patch+json"


def fhirpath_patch(language: str) -> tuple[bytes, str]:
    told = [("type", "valueCode", "replace"), ("path", "valueString", "language"), ("value", "valueCode", language)]
    operation = {"name": "operation", "part": [{"name": name, key: value} for name, key, value in told]}
    return dump({"resourceType": "Parameters", "parameter": [operation]}), "application/fhir+json"


PATCHES = {"application/json-patch+json": json_patch, "application/fhir+json": fhirpath_patch}


@WRITTEN
def test_both_forms_of_patch_are_taken_by_each_type(client: TestClient, type_: str) -> None:
    assert statement("http://testserver/fhir")["patchFormat"] == list(PATCHES)
    client.put(f"/fhir/{type_}/mine", content=dump({**SENT[type_], "id": "mine", "language": "en"}), headers=FHIR)
    for number, (kind, make) in enumerate(PATCHES.items()):
        wanted = ("en-GB", "en-US")[number]
        content, _ = make(wanted)
        patched = client.patch(f"/fhir/{type_}/mine", content=content, headers={"content-type": kind})
        assert valid(patched)["language"] == wanted


@WRITTEN
def test_a_conditional_update_and_delete_are_done_where_claimed(client: TestClient, type_: str) -> None:
    claim, address = CLAIMED[type_], f"/fhir/{type_}?_id=none-such"
    assert (claim["conditionalUpdate"], claim["conditionalDelete"]) == (True, "single")
    body = dump({name: value for name, value in SENT[type_].items() if name != "id"})
    update = client.put(address, content=body, headers=FHIR)
    assert (update.status_code, update.headers["etag"]) == (201, 'W/"1"')
    assert client.delete(address).status_code == 204
    found = f"/fhir/{type_}?_id={valid(update)['id']}"
    again = client.put(found, content=body, headers=FHIR)
    assert (again.status_code, again.headers["etag"]) == (200, 'W/"1"')
    content, kind = json_patch("en-GB")
    content = content.replace(b"replace", b"add")
    assert client.patch(found, content=content, headers={"content-type": kind}).headers["etag"] == 'W/"2"'
    assert client.delete(found).headers["etag"] == 'W/"3"'


@WRITTEN
def test_a_conditional_create_is_done_where_it_is_claimed(client: TestClient, type_: str) -> None:
    assert CLAIMED[type_]["conditionalCreate"]
    client.put(f"/fhir/{type_}/mine", content=dump({**SENT[type_], "id": "mine"}), headers=FHIR)
    for id_, status in (("none-such", 201), ("mine", 200)):
        condition = FHIR | {"if-none-exist": f"_id={id_}"}
        assert client.post(f"/fhir/{type_}", content=dump(SENT[type_]), headers=condition).status_code == status


@RESOURCES
def test_every_search_parameter_claimed_is_applied_and_every_other_of_r4_is_refused_when_strict(
    client: TestClient, type_: str
) -> None:
    claimed = {one["name"]: one["type"] for one in CLAIMED[type_]["searchParam"]}
    assert {"_id", "_lastUpdated"} <= claimed.keys()
    for name in sorted({*claimed, *searches(type_), "_text", "_content"}):
        value = quote(sought(type_, name) if name in claimed else "x")
        answer = client.get(f"/fhir/{type_}?{name}={value}", headers=STRICT)
        if name in claimed:
            assert valid(answer)["link"][0]["url"].startswith(f"http://testserver/fhir/{type_}?{name}={value}&")
        else:
            says = "There are no named queries" if name == "_query" else f"{type_} is not searched by"
            refused(answer, 400, "not-supported", says)


@WRITTEN
def test_what_is_not_claimed_for_a_type_never_succeeds(client: TestClient, type_: str) -> None:
    claim, body = CLAIMED[type_], dump({**SENT[type_], "id": "mine"})
    client.put(f"/fhir/{type_}/mine", content=body, headers=FHIR)
    for method, path, status in (
        ("DELETE", "", 400),
        ("PUT", "", 400),
        ("DELETE", "?nothing=x", 400),
        ("POST", "/mine", 405),
        ("DELETE", "/mine/_history", 405),
        ("DELETE", "/mine/_history/1", 405),
        ("POST", "/mine/_history/1", 405),
        *(
            (method, f"/mine/${name}", 404)
            for method in ("GET", "POST")
            for name in ("everything", "document", "nothing")
            if name not in {one["name"] for one in claim.get("operation", ())}
        ),
    ):
        content = None if method == "GET" else body
        answer = client.request(method, f"/fhir/{type_}{path}", content=content, headers=FHIR)
        assert answer.status_code == status, (method, path, answer.text)
        assert valid(answer)["resourceType"] == "OperationOutcome"
    if "episode" not in {one["name"] for one in claim.get("operation", ())}:
        refused(client.get(f"/fhir/{type_}/mine/$episode"), 404, "not-supported", "no operation $episode")


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", ""),
        ("GET", "?_type=Patient"),
        ("DELETE", ""),
        ("POST", "/_search"),
        ("POST", "/_history"),
        ("GET", "/$export"),
        ("GET", "/Patient/$export"),
        ("POST", "/$validate"),
        ("GET", "/.well-known/smart-configuration"),
    ],
)
def test_what_is_not_claimed_for_the_whole_never_succeeds(client: TestClient, method: str, path: str) -> None:
    answer = client.request(method, f"/fhir{path}", content=b"{}" if method == "POST" else None, headers=FHIR)
    assert answer.status_code in (404, 405)
    assert valid(answer)["resourceType"] == "OperationOutcome"
    assert {one["code"] for one in REST["interaction"]} == {"transaction", "batch", "history-system"}


@pytest.mark.parametrize("kind", ["batch", "transaction"])
def test_both_kinds_of_bundle_that_are_claimed_are_taken(client: TestClient, kind: str) -> None:
    entry = {"resource": SENT["Patient"], "request": {"method": "POST", "url": "Patient"}}
    bundle = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
    answer = valid(client.post("/fhir", content=dump(bundle), headers=FHIR))
    assert (answer["type"], answer["entry"][0]["response"]["status"]) == (f"{kind}-response", "201 Created")
    assert valid(client.get("/fhir/Patient"))["total"] == len(valid(client.get("/fhir/_history"))["entry"]) == 1


def test_a_type_that_is_not_claimed_is_404_however_it_is_asked(client: TestClient) -> None:
    assert set(CLAIMED) == set(RESOURCE_TYPES)
    elsewhere = sorted(KNOWN_TYPES - RESOURCE_TYPES)  # R4's own, not carried here
    assert "Appointment" in elsewhere
    for type_ in (*elsewhere[::8], "Resource", "DomainResource", "patient", "Observations"):
        body = dump({"resourceType": type_, "id": "a"})
        for method, path in (("GET", ""), ("POST", ""), ("GET", "/a"), ("PUT", "/a"), ("GET", "/a/_history/1")):
            content = body if method in ("POST", "PUT") else None
            answer = client.request(method, f"/fhir/{type_}{path}", content=content, headers=FHIR)
            refused(answer, 404, "not-supported", "There is no resource type")


def test_the_statement_names_what_r4_asks_of_it(client: TestClient) -> None:
    said = valid(client.get("/fhir/metadata"))
    assert (said["fhirVersion"], said["kind"], said["rest"][0]["mode"]) == ("4.0.1", "instance", "server")
    assert said["implementation"]["url"] == "http://testserver/fhir"
    assert said == json.loads(json.dumps(statement("http://testserver/fhir")))
    for kind in said["format"]:
        assert client.get("/fhir/metadata", params={"_format": kind}).status_code == 200
    assert said["rest"][0]["security"]["cors"]
