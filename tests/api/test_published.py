"""Our conformance resources are read and searched under /fhir, and written by nobody.

Source: http://hl7.org/fhir/R4/http.html (read, vread, search, history; 405 and Allow: RFC 9110, 15.5.6), the search
parameters of each type's page in R4. The expected resources are those the package carries.
"""

from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from starlette.testclient import TestClient

from api.fhir.capability import statement
from fhirmod.exchange import PUBLISHED_TYPES, published_resources
from fhirmod.mapping import BASE
from fhirmod.r4 import dump

from .test_fhir import FHIR
from .walked import refused, valid

HERE = "http://testserver/fhir"
CLAIMED = {one["type"]: one for one in statement(HERE)["rest"][0]["resource"]}
OURS: dict[str, dict[str, dict[str, Any]]] = {}
for _one in published_resources():
    OURS.setdefault(_one["resourceType"], {})[_one["id"]] = _one
TYPES = pytest.mark.parametrize("type_", sorted(PUBLISHED_TYPES))
pytestmark = pytest.mark.parametrize("backend", ["sqlite"], indirect=True)  # the record itself is not asked


def without_version(resource: dict[str, Any]) -> dict[str, Any]:
    meta = {key: value for key, value in resource["meta"].items() if key not in ("versionId", "lastUpdated")}
    return {key: value for key, value in resource.items() if key != "meta"} | ({"meta": meta} if meta else {})


def pages(client: TestClient, address: str) -> Iterator[dict[str, Any]]:
    while address:
        page = valid(client.get(address))
        yield page
        address = next((one["url"] for one in page["link"] if one["relation"] == "next"), "")


def ids(client: TestClient, asked: str) -> list[str]:
    return [one["resource"]["id"] for page in pages(client, f"/fhir/{asked}") for one in page.get("entry", ())]


@TYPES
def test_each_is_read_and_found_whole_page_by_page(client: TestClient, type_: str) -> None:
    found = [entry for page in pages(client, f"/fhir/{type_}?_count=40") for entry in page.get("entry", ())]
    assert {one["resource"]["id"]: without_version(one["resource"]) for one in found} == OURS.get(type_, {})
    assert len(found) == len(OURS.get(type_, {}))
    for one in found[:5]:
        address = f"/fhir/{type_}/{one['resource']['id']}"
        assert one["fullUrl"] == f"http://testserver{address}"
        read = client.get(address)
        assert valid(read) == one["resource"] == valid(client.get(f"{address}/_history/1"))
        assert read.headers["etag"] == 'W/"1"'
        assert client.head(address).status_code == 200
        refused(client.get(f"{address}/_history/2"), 404, "not-found", "version 2")
    refused(client.get(f"/fhir/{type_}/none-such"), 404, "not-found", "was never here")


@TYPES
def test_each_is_found_by_what_a_client_knows_of_it(client: TestClient, type_: str) -> None:
    claimed = {one["name"] for one in CLAIMED[type_]["searchParam"]}
    for id_, one in list(OURS.get(type_, {}).items())[::7]:
        for name in {"_id", "url", "name", "status", "version", "title", "publisher", "date", "kind"} & claimed:
            value = one.get("id" if name == "_id" else name)
            if value is not None:
                assert id_ in ids(client, f"{type_}?{name}={quote(str(value))}&_count=500"), (id_, name)
        if "url" in one:
            assert ids(client, f"{type_}?url={quote(one['url'])}&version={one['version']}") == [id_]
            assert ids(client, f"{type_}?url={quote(one['url'])}&version=99") == []


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        ("StructureDefinition?type=Flag", ["balloon-in-place"]),
        ("StructureDefinition?base=http://hl7.org/fhir/StructureDefinition/Bundle", ["case"]),
        ("StructureDefinition?type=Extension&name:exact=Entry", ["entry"]),
        (f"ConceptMap?source-uri={BASE}/ValueSet/tamponade&target-system=http://loinc.org", ["tamponade-to-loinc"]),
        ("CodeSystem?code=fill", ["tamponade"]),
        ("OperationDefinition?code=episode", ["episode"]),
        ("SearchParameter?base=Flag&code=status", ["Flag-status"]),
        ("SearchParameter?base=Patient", []),
        (f"NamingSystem?value={BASE}/NamingSystem/entry-id", ["entry-id"]),
        ("CapabilityStatement?mode=server", ["record-keeper"]),
        ("StructureDefinition?url=http://hl7.org/fhir/StructureDefinition/bp", []),
    ],
)
def test_each_kind_is_found_by_its_own_parameters(client: TestClient, asked: str, wanted: list[str]) -> None:
    assert ids(client, asked) == wanted


def test_a_part_of_them_can_be_asked_for(client: TestClient) -> None:
    [entry] = client.get("/fhir/StructureDefinition?_id=anchor&_summary=true").json()["entry"]
    assert "differential" not in entry["resource"]  # which sdf-6 asks of a whole one
    [entry] = client.get("/fhir/StructureDefinition?_id=anchor&_elements=url").json()["entry"]
    assert entry["resource"]["url"] == f"{BASE}/StructureDefinition/anchor"
    assert valid(client.get("/fhir/ValueSet?_summary=count"))["total"] == len(OURS["ValueSet"])


@TYPES
def test_what_is_claimed_of_each_type_is_reading_and_every_write_is_405(client: TestClient, type_: str) -> None:
    claim = CLAIMED[type_]
    done = {"read", "vread", "search-type", "history-instance", "history-type"}
    assert {one["code"] for one in claim["interaction"]} == done
    assert not any(claim[name] for name in ("updateCreate", "conditionalCreate", "conditionalUpdate"))
    assert (claim["conditionalDelete"], claim["conditionalRead"]) == ("not-supported", "not-supported")
    body = dump({"resourceType": type_, "id": "mine"})
    says = f"Resources of type {type_} are published with this software"
    patch = {"content-type": "application/json-patch+json"}
    for method, path in (
        ("POST", ""),
        ("PUT", "/mine"),
        ("PUT", "?url=x"),
        ("PATCH", "/mine"),
        ("PATCH", "?url=x"),
        ("DELETE", "/mine"),
        ("DELETE", "?url=x"),
    ):
        content = b"[]" if method == "PATCH" else body
        answer = client.request(
            method, f"/fhir/{type_}{path}", content=content, headers=patch if method == "PATCH" else FHIR
        )
        refused(answer, 405, "not-supported", says)
        assert answer.headers["allow"] == "GET, HEAD"
    for mode in ("create", "update"):
        at = "" if mode == "create" else "/mine"
        sent = client.post(f"/fhir/{type_}{at}/$validate?mode={mode}", content=body, headers=FHIR)
        assert sent.status_code == 200


def test_a_write_of_one_inside_a_bundle_is_refused_and_a_read_answered(client: TestClient) -> None:
    write = {"resource": OURS["CodeSystem"]["tamponade"], "request": {"method": "PUT", "url": "CodeSystem/tamponade"}}
    delete = {"request": {"method": "DELETE", "url": f"{HERE}/ValueSet/tamponade"}}
    read = {"request": {"method": "GET", "url": "StructureDefinition/anchor"}}
    for entry in (write, delete):
        whole = {"resourceType": "Bundle", "type": "transaction", "entry": [read, entry]}
        refused(client.post("/fhir", content=dump(whole), headers=FHIR), 400, "not-supported", "only read here")
        batch = valid(client.post("/fhir", content=dump({**whole, "type": "batch"}), headers=FHIR))
        assert [one["response"]["status"][:3] for one in batch["entry"]] == ["200", "405"]
    whole = {"resourceType": "Bundle", "type": "transaction", "entry": [read]}
    answer = valid(client.post("/fhir", content=dump(whole), headers=FHIR))
    assert answer["entry"][0]["resource"]["url"] == f"{BASE}/StructureDefinition/anchor"


def test_the_record_does_not_hold_them(client: TestClient) -> None:
    assert "entry" not in valid(client.get("/fhir/_history"))
    assert len(valid(client.get("/fhir/CodeSystem/_history"))["entry"]) == 1
    assert len(valid(client.get("/fhir/CodeSystem/tamponade/_history"))["entry"]) == 1
