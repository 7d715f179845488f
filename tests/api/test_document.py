"""$document of a Composition that a partner sent.

Source: http://hl7.org/fhir/R4/composition-operation-document.html, documents.html#content; bundle.html: bdl-9 (a document
has an identifier with system and value), bdl-10 (and a timestamp), bdl-11 (its first entry is a Composition), bdl-7 (each
fullUrl once).
"""

import json
from typing import Any
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import dump

from .issuer import asking_tokens, bearer, token
from .test_everything import BASE, HER, OTHER, observation
from .test_fhir import FHIR, put
from .walked import refused, valid

COMPOSITION = {
    "resourceType": "Composition",
    "id": "letter",
    "status": "final",
    "type": {"coding": [{"system": "http://loinc.org", "code": "18761-7"}]},
    "subject": HER,
    "date": "2026-03-01T04:00:00Z",
    "author": [{"reference": f"{BASE}/Practitioner/midwife"}],
    "custodian": {"reference": "Organization/clinic"},
    "title": "Transfer",
    "text": {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">1.50 &lt; 2</div>'},
    "section": [
        {
            "title": "Loss",
            "entry": [{"reference": "Observation/loss"}, {"reference": "Observation/of-child"}],
            "section": [{"title": "again", "entry": [{"reference": "Observation/loss"}]}],
        }
    ],
}
LOSS = (
    '{"resourceType":"Observation","id":"loss","status":"final","code":{"text":"loss"},'
    '"subject":{"reference":"Patient/her"},"device":{"reference":"Device/drape"},'
    '"hasMember":[{"reference":"Observation/elsewhere"}],"valueQuantity":{"value":1.50,"unit":"mL"}}'
)
RECORD: list[dict[str, Any]] = [
    {"resourceType": "Organization", "id": "clinic", "name": "clinic"},
    {"resourceType": "Organization", "id": "maker", "name": "maker"},
    {"resourceType": "Practitioner", "id": "midwife", "active": True},
    {"resourceType": "Device", "id": "drape", "owner": {"reference": "Organization/maker"}},
    {"resourceType": "Patient", "id": "her", "managingOrganization": {"reference": "Organization/clinic"}},
    {"resourceType": "Patient", "id": "child", "active": True},
    {"resourceType": "Patient", "id": "other", "active": True},
    observation("elsewhere", OTHER),
    observation("of-child", {"reference": "Patient/child"}),
    observation("unasked"),
]
CARRIED = {
    "Patient/her",
    "Patient/child",
    "Practitioner/midwife",
    "Organization/clinic",
    "Organization/maker",
    "Observation/loss",
    "Observation/of-child",
    "Device/drape",
}


@pytest.fixture
def ward(client: TestClient) -> TestClient:
    for one in RECORD:
        assert put(client, one).status_code == 201
    assert client.put("/fhir/Observation/loss", content=LOSS, headers=FHIR).status_code == 201
    assert put(client, COMPOSITION).status_code == 201
    return client


def urls(bundle: dict[str, Any]) -> list[str]:
    return [one["fullUrl"].removeprefix(f"{BASE}/") for one in bundle["entry"]]


def test_a_document_has_its_composition_first_and_all_that_it_leads_to_once(ward: TestClient) -> None:
    answer = ward.get("/fhir/Composition/letter/$document")
    document = valid(answer)  # by our walker: R4's invariants, and that all is carried
    assert (answer.status_code, document["type"]) == (200, "document")
    assert urls(document)[0] == "Composition/letter"
    assert len(urls(document)) == len(set(urls(document)))
    assert set(urls(document)) == {"Composition/letter", *CARRIED}
    assert document["identifier"]["system"] == "urn:ietf:rfc:3986"
    assert UUID(document["identifier"]["value"].removeprefix("urn:uuid:"))
    assert document["timestamp"].startswith("2026-03-02T00:00:")
    assert b'"value":1.50,' in answer.content
    again = valid(ward.get("/fhir/Composition/letter/$document"))
    assert again["identifier"] != document["identifier"]
    assert again["entry"] == document["entry"]


@pytest.mark.parametrize("named", ["letter", "Composition/letter", f"{BASE}/Composition/letter"])
def test_a_composition_may_be_named_by_a_parameter(ward: TestClient, named: str) -> None:
    direct = valid(ward.get("/fhir/Composition/letter/$document"))["entry"]
    assert valid(ward.get("/fhir/Composition/$document", params={"id": named}))["entry"] == direct
    body = dump({"resourceType": "Parameters", "parameter": [{"name": "id", "valueUri": named}]})
    assert valid(ward.post("/fhir/Composition/$document", content=body, headers=FHIR))["entry"] == direct


def test_a_document_is_kept_when_that_is_asked_for_and_not_else(ward: TestClient) -> None:
    ward.get("/fhir/Composition/letter/$document?persist=false")
    ward.post("/fhir/Composition/letter/$document", headers=FHIR)
    assert valid(ward.get("/fhir/Bundle"))["total"] == 0
    body = dump({"resourceType": "Parameters", "parameter": [{"name": "persist", "valueBoolean": True}]})
    kept = ward.post("/fhir/Composition/letter/$document", content=body, headers=FHIR)
    document = valid(kept)
    assert kept.headers["location"] == f"{BASE}/Bundle/{document['id']}/_history/1"
    assert valid(ward.get(f"/fhir/Bundle/{document['id']}")) == document
    assert set(urls(document)) == {"Composition/letter", *CARRIED}
    found = valid(ward.get("/fhir/Bundle", params={"identifier": document["identifier"]["value"]}))
    assert found["total"] == 1
    assert valid(ward.get("/fhir/Bundle"))["total"] == 1
    everything = valid(ward.get("/fhir/Observation"))["total"]
    assert everything == 4  # what a kept document carries is not recorded a second time


@pytest.mark.parametrize(
    ("address", "status", "code", "says"),
    [
        ("Composition/none/$document", 404, "not-found", "was never here"),
        ("Composition/$document", 400, "value", "must be named"),
        ("Composition/$document?id=none", 404, "not-found", "was never here"),
        ("Composition/$document?id=http://elsewhere.example/fhir/Composition/a", 400, "not-supported", "not fetched"),
        (
            "Composition/letter/$document?graph=http://x.example/GraphDefinition/g",
            400,
            "not-supported",
            "graph is not applied here",
        ),
        ("Composition/letter/$document?persist=true", 400, "value", "A GET stores nothing"),
        ("Composition/letter/$document?persist=yes", 400, "value", "true or false"),
        ("Composition/letter/$document?id=letter", 400, "value", "There is no parameter 'id' here"),
        ("Observation/loss/$document", 404, "not-supported", "There is no operation $document at this address"),
    ],
)
def test_what_cannot_be_asked_is_refused(ward: TestClient, address: str, status: int, code: str, says: str) -> None:
    refused(ward.get(f"/fhir/{address}"), status, code, says)
    assert valid(ward.get("/fhir/Bundle"))["total"] == 0


def test_no_document_is_made_that_lacks_what_its_composition_names(ward: TestClient) -> None:
    ward.delete("/fhir/Observation/of-child")
    answer = ward.get("/fhir/Composition/letter/$document")
    refused(answer, 422, "business-rule", "leads to nothing that is here")
    assert valid(answer)["issue"][0]["expression"] == ["Composition.section[0].entry[1].reference"]
    elsewhere = COMPOSITION | {"id": "far", "author": [{"reference": "http://elsewhere.example/Practitioner/a"}]}
    assert put(ward, {name: value for name, value in elsewhere.items() if name != "section"}).status_code == 201
    refused(ward.get("/fhir/Composition/far/$document"), 422, "business-rule", "leads to nothing that is here")
    ward.delete("/fhir/Composition/letter")
    refused(ward.get("/fhir/Composition/letter/$document"), 410, "deleted", "was deleted")


def test_contained_authors_and_names_alone_need_no_entry(ward: TestClient) -> None:
    author = {"resourceType": "Practitioner", "id": "a", "active": True}
    plain = {name: value for name, value in COMPOSITION.items() if name not in ("section", "custodian")}
    put(ward, plain | {"id": "small", "contained": [author], "author": [{"reference": "#a"}, {"display": "on call"}]})
    document = valid(ward.get("/fhir/Composition/small/$document"))
    assert urls(document) == ["Composition/small", "Patient/her", "Organization/clinic"]


def test_a_batch_asks_for_a_document_and_a_transaction_is_refused(ward: TestClient) -> None:
    request = {"request": {"method": "GET", "url": "Composition/letter/$document"}}
    bundle = {"resourceType": "Bundle", "type": "batch", "entry": [request]}
    [one] = valid(ward.post("/fhir", content=dump(bundle), headers=FHIR))["entry"]
    assert urls(one["resource"])[0] == "Composition/letter"
    answer = ward.post("/fhir", content=dump(bundle | {"type": "transaction"}), headers=FHIR)
    refused(answer, 400, "not-supported", "reads, searches and histories only")


def test_to_keep_a_document_needs_the_scope_to_create_a_bundle(tmp_path_factory: Any) -> None:
    with asking_tokens(tmp_path_factory.mktemp("document")) as (client, _):
        whole = FHIR | bearer(token())
        names = ("resourceType", "id", "status", "type", "date", "title")
        composition = {name: COMPOSITION[name] for name in names} | {"author": [{"display": "on call"}]}
        assert client.put("/fhir/Composition/letter", content=dump(composition), headers=whole).status_code == 201
        for scope, keeps, status in (
            ("system/Composition.rs", "false", 200),  # it leads to nothing of another type
            ("system/Composition.s", "false", 403),
            ("system/*.r", "false", 200),
            ("system/*.r system/Composition.c", "true", 403),
            ("system/*.r system/Bundle.c", "true", 200),
        ):
            address = f"/fhir/Composition/letter/$document?persist={keeps}"
            assert client.post(address, headers=FHIR | bearer(token(scope))).status_code == status, scope


def test_a_document_needs_the_scope_of_each_type_that_it_carries(tmp_path_factory: Any) -> None:
    """A document carries all that its Composition names (R4, documents.html): none is made that lacks something."""
    with asking_tokens(tmp_path_factory.mktemp("document")) as (client, _):
        whole = FHIR | bearer(token())
        for one in (*RECORD, json.loads(LOSS), COMPOSITION):
            answer = client.put(f"/fhir/{one['resourceType']}/{one['id']}", content=dump(one), headers=whole)
            assert answer.status_code == 201
        types = sorted({one.partition("/")[0] for one in ("Composition/letter", *CARRIED)})
        address = "/fhir/Composition/letter/$document"
        enough = " ".join(f"system/{one}.r" for one in types)
        assert valid(client.get(address, headers=bearer(token(enough))))["type"] == "document"
        for lacking in types:
            scope = " ".join(f"system/{one}.r" for one in types if one != lacking)
            answer = client.get(address, headers=bearer(token(scope)))
            refused(answer, 403, "forbidden", f"This needs the scope system/{lacking}.r")
        author = [{"reference": "Practitioner/never-here"}]
        lost = {name: COMPOSITION[name] for name in ("resourceType", "status", "type", "date", "title")}
        lost |= {"id": "lost", "author": author}
        assert client.put("/fhir/Composition/lost", content=dump(lost), headers=whole).status_code == 201
        for scope, status in (("system/Composition.r", 403), ("system/*.r", 422)):  # nor is it told what is not here
            answer = client.get("/fhir/Composition/lost/$document", headers=bearer(token(scope)))
            assert answer.status_code == status, answer.text
