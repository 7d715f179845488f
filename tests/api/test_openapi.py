"""The OpenAPI document: valid, complete, and true; its examples work and its answers are as described.

Source: OpenAPI Specification 3.1.0 and its JSON Schema (as schemathesis carries it).
"""

import json
import re
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from referencing import Registry
from referencing.jsonschema import DRAFT202012
from schemathesis.specs.openapi import definitions
from starlette.testclient import TestClient

from api.describing import CORRECTION, FILL, OPENING, OPERATIONS, RETRACTION, VITALS
from api.fhir import INTERACTIONS
from api.openapi import document
from api.routes import ROUTES
from fhirmod.episode import KINDS
from tests.intake.case import entry, new_id, told

DOCUMENT = json.loads(json.dumps(document()))
CALLS = [
    (path, method, operation)
    for path, methods in DOCUMENT["paths"].items()
    for method, operation in methods.items()
]  # fmt: skip
NAMES = [operation["operationId"] for _, _, operation in CALLS]


def validator(name: str) -> Draft202012Validator:
    """Return the validator of a component, which may lead to others."""
    registry: Registry[Any] = Registry().with_resource("urn:api", DRAFT202012.create_resource(DOCUMENT))
    return Draft202012Validator({"$ref": f"urn:api#/components/schemas/{name}"}, registry=registry)


def described(answer: Any, operation: str) -> Any:
    """Return the answer's JSON, which is as the document says of that operation and status."""
    [[path, method]] = [[path, method] for path, method, one in CALLS if one["operationId"] == operation]
    responses = DOCUMENT["paths"][path][method]["responses"]
    status = str(answer.status_code)
    said = responses[status if status in responses else f"{status[0]}XX"]["content"]["application/json"]["schema"]
    value = json.loads(answer.content)
    names = [one["$ref"].rpartition("/")[2] for one in said.get("anyOf", [said])]
    faults = {name: [one.message for one in validator(name).iter_errors(value)] for name in names}
    assert [] in faults.values(), faults
    return value


def test_the_document_is_valid_openapi() -> None:
    assert list(definitions.OPENAPI_31_VALIDATOR.iter_errors(DOCUMENT)) == []


def test_every_route_of_both_tables_is_described_and_nothing_else() -> None:
    served = {(one.path, one.method.lower()) for one in ROUTES}
    served |= {(f"/fhir{one.path}", one.method.lower()) for one in INTERACTIONS}
    assert {(path, method) for path, method, _ in CALLS} == served
    assert set(OPERATIONS) == {one.name for one in ROUTES}
    assert len(set(NAMES)) == len(NAMES)


@pytest.mark.parametrize(("path", "method", "operation"), CALLS, ids=NAMES)
def test_each_operation_names_each_of_its_parameters_once(path: str, method: str, operation: dict[str, Any]) -> None:
    # "The list MUST NOT include duplicated parameters" (4.8.10.1), and each name in the path has one (4.8.12.1)
    listed = [(one["name"], one["in"]) for one in operation.get("parameters", ())]
    assert len(set(listed)) == len(listed)
    assert {name for name, place in listed if place == "path"} == set(re.findall(r"\{(\w+)\}", path))


def test_every_reference_leads_somewhere_and_every_schema_is_a_schema() -> None:
    components = DOCUMENT["components"]["schemas"]
    assert set(KINDS) <= components.keys()
    for reference in set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(DOCUMENT))):
        assert reference in components
    for name, schema in components.items():
        Draft202012Validator.check_schema(schema)
        assert not set(re.findall(r'"#/\$defs/', json.dumps(schema))), name


def test_the_examples_work_and_the_answers_are_as_described(client: TestClient) -> None:
    episode = described(client.post("/episodes", json=OPENING), "open-episode")["episode"]
    path = f"/episodes/{episode}"
    for one in (VITALS, FILL, CORRECTION, RETRACTION):
        receipt = described(client.post(f"{path}/entries", json=one), "append-entries")
        assert [result["status"] for result in receipt["entries"]] == ["accepted"]
    receipt = described(client.post(f"{path}/entries", json=[VITALS, *told()]), "append-entries")
    assert [one["status"] for one in receipt["entries"]] == ["repeat", *["accepted"] * len(told())]
    for query in ("?as_of=2026-03-01T03:00:00Z", "?all=true"):
        described(client.get(f"{path}/entries{query}"), "read-entries")
    described(client.get("/episodes?limit=1"), "list-episodes")
    described(client.get(path), "read-episode")
    described(client.get(f"{path}/state"), "read-state")
    described(client.get("/health"), "health")


def test_refusals_are_as_described(client: TestClient) -> None:
    episode = described(client.post("/episodes", json=OPENING), "open-episode")["episode"]
    path = f"/episodes/{episode}/entries"
    waiting = entry("retraction", "03:00", retracts=new_id(), reason="slip")
    for value, query, status in (
        ({"kind": "fill"}, "", 422),
        ([{"kind": "fill"}], "?atomic=true", 422),
        (waiting, "", 202),
        ("{", "?atomic=perhaps", 400),
    ):
        answer = client.post(f"{path}{query}", json=value)
        assert answer.status_code == status
        described(answer, "append-entries")
    client.post(path, json=FILL)
    described(client.post(path, json=FILL | {"volume_ml": 1}), "append-entries")
    described(client.get(f"/episodes/{episode}/held"), "read-held")
    described(client.get("/episodes/x/held"), "read-held")


def test_the_schema_of_an_entry_says_what_may_be_left_out(client: TestClient) -> None:
    assert validator("Opening").is_valid(OPENING)
    assert not validator("opening").is_valid(OPENING)
    for one in (VITALS, FILL, CORRECTION, RETRACTION, *told()):
        assert validator("Entries").is_valid(one), one
    assert validator("Entries").is_valid({"entries": [VITALS]})
    for one in ({**FILL, "volum": 1}, {"kind": "fill"}, {**FILL, "kind": "filling"}):
        assert not validator("Entries").is_valid(one)
        assert client.post("/episodes/x/entries", json=one).status_code == 404
