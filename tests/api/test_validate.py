"""The same findings from Python, from the command line and from $validate, over the labelled corpus."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import RESOURCE_TYPES, check, dump, parse
from tests.r4.corpus import changed, invalid, valid

from .test_fhir import FHIR, put
from .walked import refused
from .walked import valid as answered

VALID = valid()
SAMPLE = [changed(VALID[one["base"]], one) for one in invalid()[::5]] + list(VALID.values())[::5]
SENT = [
    one
    for one in SAMPLE
    if isinstance(one.get("resourceType"), str) and one["resourceType"] in RESOURCE_TYPES and len(dump(one)) < 200_000
]


def said(findings: list[Any]) -> list[tuple[str, str, str]]:
    return sorted((one.severity, one.place, one.sentence) for one in findings)


def test_validate_says_what_check_says(client: TestClient) -> None:
    assert len(SENT) > 60
    for resource in SENT:
        body = dump(resource)
        answer = client.post(f"/fhir/{resource['resourceType']}/$validate", content=body, headers=FHIR)
        assert answer.status_code == 200, answer.text
        issues = [
            (one["severity"], one.get("expression", [""])[0], one["diagnostics"]) for one in answered(answer)["issue"]
        ]
        wanted = said(check(parse(body)))
        assert sorted(issues) == (wanted or [("information", "", "Nothing was found against it.")])


def test_the_command_line_says_what_check_says(tmp_path: Path) -> None:
    file = tmp_path / "sample.ndjson"
    file.write_bytes(b"\n".join(dump(one) for one in SENT) + b"\n")
    command = [sys.executable, "-m", "fhirmod.cli", "check", "--json", str(file)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    for number, resource in enumerate(SENT, start=1):
        found = sorted((one["severity"], one["place"], one["sentence"]) for one in lines if one["line"] == number)
        assert found == said(check(parse(dump(resource))))


def test_parameters_carry_resource_mode_and_profile(client: TestClient) -> None:
    bp = "http://hl7.org/fhir/StructureDefinition/bp"
    observation = {"resourceType": "Observation", "status": "final", "code": {"text": "pressure"}}

    def ask(*parameters: dict[str, Any]) -> Any:
        body = {"resourceType": "Parameters", "parameter": list(parameters)}
        return client.post("/fhir/Observation/$validate", json=body, headers=FHIR)

    resource = {"name": "resource", "resource": observation}
    assert answered(ask(resource, {"name": "mode", "valueCode": "create"}))["issue"][0]["severity"] == "information"
    errors = answered(ask(resource, {"name": "profile", "valueUri": bp}))["issue"]
    assert any("component" in one["diagnostics"] for one in errors if one["severity"] == "error")
    refused(ask(resource, {"name": "mode", "valueCode": "guess"}), 400, "value", "must be one of create")
    refused(ask(resource, {"name": "profile", "valueUri": "urn:none"}), 400, "not-supported", "is not known here")
    refused(ask({"name": "mode", "valueCode": "create"}), 400, "value", "must carry the resource")
    assert answered(ask({"name": "mode", "valueCode": "delete"}))["issue"][0]["code"] == "not-supported"


def test_a_stored_resource_is_checked_where_it_stands(client: TestClient) -> None:
    put(client, {"resourceType": "Patient", "id": "p1"})
    assert answered(client.get("/fhir/Patient/p1/$validate"))["issue"][0]["severity"] == "information"
    other = client.post("/fhir/Patient/p1/$validate", json={"resourceType": "Patient", "id": "p2"}, headers=FHIR)
    assert "id" in answered(other)["issue"][-1]["diagnostics"]
    refused(client.get("/fhir/Patient/p9/$validate"), 404, "not-found", "was never here")


@pytest.mark.parametrize(("body", "status", "code"), [(b"{", 400, "structure"), (b'{"a":1,"a":2}', 400, "structure")])
def test_what_cannot_be_read_cannot_be_checked(client: TestClient, body: bytes, status: int, code: str) -> None:
    refused(client.post("/fhir/Patient/$validate", content=body, headers=FHIR), status, code, "line 1")


def test_another_type_or_an_unknown_one_is_said(client: TestClient) -> None:
    answer = client.post("/fhir/Observation/$validate", json={"resourceType": "Patient"}, headers=FHIR)
    assert any("wanted Observation" in one["diagnostics"] for one in answered(answer)["issue"])
    refused(client.post("/fhir/Nothing/$validate", json={}, headers=FHIR), 404, "not-supported", "no resource type")
