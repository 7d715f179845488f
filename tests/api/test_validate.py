"""$validate: the same findings as Python's `check`, and R4's modes. Source: HL7 FHIR R4 resource-operation-validate.html;
the meaning of each mode: http://hl7.org/fhir/R4/codesystem-resource-validation-mode.html.
"""

from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.errors import Finding
from fhirmod.r4 import RESOURCE_TYPES, check, dump, parse
from tests.r4.corpus import changed, invalid, valid

from .test_fhir import FHIR, put
from .walked import refused
from .walked import valid as answered

VALID = valid()
SAMPLE = [changed(VALID[one["base"]], one) for one in invalid()[::3]] + list(VALID.values())[::3]
SENT = [one for one in SAMPLE if isinstance(one.get("resourceType"), str) and one["resourceType"] in RESOURCE_TYPES]
BP = "http://hl7.org/fhir/StructureDefinition/bp"
PRESSURE = {"resourceType": "Observation", "status": "final", "code": {"text": "pressure"}}
NOTHING = [("information", "nothing-found", "", "Nothing was found against it.")]


def said(findings: list[Finding]) -> list[tuple[str, str, str, str]]:
    return [(one.severity, one.code, one.place, one.sentence) for one in findings] or NOTHING


def issues(answer: Any) -> list[tuple[str, str, str, str]]:
    assert answer.status_code == 200, answer.text
    outcome = answered(answer)
    assert outcome["resourceType"] == "OperationOutcome"
    return [
        (
            one["severity"],
            one["details"]["coding"][0]["code"],
            one.get("expression", [""])[0],
            one["diagnostics"],
        )
        for one in outcome["issue"]
    ]


def errors(answer: Any) -> list[str]:
    return [sentence for severity, _, _, sentence in issues(answer) if severity in ("error", "fatal")]


def asking(*parameters: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Parameters", "parameter": list(parameters)}


def resource(content: dict[str, Any]) -> dict[str, Any]:
    return {"name": "resource", "resource": content}


def mode(code: str) -> dict[str, Any]:
    return {"name": "mode", "valueCode": code}


def profile(url: str) -> dict[str, Any]:
    return {"name": "profile", "valueUri": url}


def ask(client: TestClient, address: str, body: dict[str, Any]) -> Any:
    return client.post(f"/fhir/{address}/$validate", content=dump(body), headers=FHIR)


def test_it_says_what_check_says_of_a_raw_resource_and_of_one_in_parameters(client: TestClient) -> None:
    assert len(SENT) > 150
    for one in SENT:
        type_, wanted = one["resourceType"], said(check(parse(dump(one))))
        assert issues(ask(client, type_, one)) == wanted
        assert issues(ask(client, type_, asking(resource(one)))) == wanted
        assert issues(ask(client, f"{type_}/any", one)) == wanted


def test_a_profile_is_asked_for_by_its_canonical(client: TestClient) -> None:
    assert errors(ask(client, "Observation", asking(resource(PRESSURE)))) == []
    found = errors(ask(client, "Observation", asking(resource(PRESSURE), profile(BP))))
    assert any("component" in sentence for sentence in found)
    assert found == errors(client.post(f"/fhir/Observation/$validate?profile={BP}", json=PRESSURE, headers=FHIR))


def test_the_definition_of_a_type_is_a_profile_too(client: TestClient) -> None:
    def against(name: str) -> list[str]:
        url = f"http://hl7.org/fhir/StructureDefinition/{name}"
        return errors(ask(client, "Observation", asking(resource(PRESSURE), profile(url))))

    assert against("Observation") == against("Resource") == against("Observation|4.0.1") == []
    assert against("Patient") == ["The profile asked for is of Patient; got Observation."]


@pytest.mark.parametrize(
    ("address", "code"),
    [("Observation", "create"), ("Observation/o1", "create"), ("Observation/o1", "update")],
)
def test_create_and_update_are_tried_and_nothing_is_kept(client: TestClient, address: str, code: str) -> None:
    content = PRESSURE | {"id": "o1"}
    assert errors(ask(client, address, asking(resource(content), mode(code)))) == []
    assert answered(client.get("/fhir/Observation"))["total"] == 0
    assert client.get("/fhir/Observation/o1").status_code == 404


def test_what_a_write_would_refuse_the_mode_says(client: TestClient) -> None:
    tag = {"system": "https://fhirmod.example.org/fhir/CodeSystem/compute-version", "code": "1"}
    derived = PRESSURE | {"id": "o1", "meta": {"tag": [tag]}}
    write = put(client, derived)
    assert write.status_code == 422
    for code in ("create", "update"):
        found = errors(ask(client, "Observation/o1", asking(resource(derived), mode(code))))
        assert len(found) == 1
        assert "is computed from the entries" in found[0]
    other = errors(ask(client, "Observation/o2", asking(resource(derived), mode("update"))))
    assert other == ["The resource's id must be that of the address, o2; got another."]
    missing = errors(ask(client, "Observation/o2", asking(resource(PRESSURE), mode("update"))))
    assert missing == ["The resource's id must be that of the address, o2; got none."]
    assert errors(ask(client, "Observation/o2", derived)) == []


@pytest.mark.parametrize("code", ["update", "delete"])
def test_what_is_done_to_an_instance_is_asked_of_an_instance(client: TestClient, code: str) -> None:
    # "The modes update and delete can only be used when the operation is invoked at the resource instance level"
    asked = asking(resource(PRESSURE), mode(code))
    refused(ask(client, "Observation", asked), 400, "value", f"The mode {code} is asked of an instance")
    address = f"/fhir/Observation/$validate?mode={code}"
    refused(client.post(address, json=PRESSURE, headers=FHIR), 400, "value", "is asked of an instance")


def test_delete_needs_no_resource_and_is_tried_without_being_done(client: TestClient) -> None:
    put(client, {"resourceType": "Patient", "id": "p1"})
    assert issues(ask(client, "Patient/p1", asking(mode("delete")))) == NOTHING
    put(client, PRESSURE | {"id": "o1", "subject": {"reference": "Patient/p1"}})
    [found] = issues(ask(client, "Patient/p1", asking(mode("delete"))))
    assert found[:3] == ("error", "conflict", "Patient")
    assert issues(client.post("/fhir/Patient/p1/$validate?mode=delete", headers=FHIR)) == [found]
    assert client.get("/fhir/Patient/p1").status_code == 200
    refused(ask(client, "Patient/p9", asking(mode("delete"))), 404, "not-found", "was never here")


def test_the_stored_resource_is_checked_by_get_and_by_the_mode_profile(client: TestClient) -> None:
    stored = PRESSURE | {"id": "o1"}
    put(client, stored)
    assert errors(client.get("/fhir/Observation/o1/$validate")) == []
    found = errors(client.get(f"/fhir/Observation/o1/$validate?profile={BP}"))
    assert found
    assert errors(ask(client, "Observation/o1", asking(mode("profile"), profile(BP)))) == found
    refused(client.get("/fhir/Observation/o9/$validate"), 404, "not-found", "was never here")
    refused(ask(client, "Observation", asking(mode("profile"), profile(BP))), 400, "value", "must be given")


@pytest.mark.parametrize(
    ("body", "code", "says"),
    [
        (asking(resource(PRESSURE), mode("guess")), "value", "must be one of create, update, delete, profile"),
        (asking(resource(PRESSURE), {"name": "mode", "valueInteger": 1}), "value", "must have a text"),
        (asking(resource(PRESSURE), profile("urn:none")), "not-supported", "'urn:none' is not known here"),
        (asking(mode("create")), "value", "must be given"),
        (asking(), "value", "must be given"),
        ({"resourceType": "Parameters", "parameter": 5}, "value", "must be given"),
    ],
)
def test_a_question_that_cannot_be_answered_is_refused(
    client: TestClient, body: dict[str, Any], code: str, says: str
) -> None:
    refused(ask(client, "Observation", body), 400, code, says)


def test_an_unknown_mode_or_profile_is_refused_by_get_too(client: TestClient) -> None:
    put(client, {"resourceType": "Patient", "id": "p1"})
    refused(client.get("/fhir/Patient/p1/$validate?mode=guess"), 400, "value", "must be one of")
    refused(client.get("/fhir/Patient/p1/$validate?profile=urn:none"), 400, "not-supported", "is not known here")


@pytest.mark.parametrize("body", [b"", b"{", b'{"a":1,"a":2}', b'{"a":NaN}'])
def test_what_cannot_be_read_cannot_be_checked(client: TestClient, body: bytes) -> None:
    refused(client.post("/fhir/Patient/$validate", content=body, headers=FHIR), 400, "structure", "line 1")


def test_another_type_is_said_and_an_unknown_one_refused(client: TestClient) -> None:
    assert "The resource is Patient; wanted Observation." in errors(
        ask(client, "Observation", {"resourceType": "Patient"})
    )
    assert "The resource is Patient; wanted Observation." in errors(
        ask(client, "Observation", asking(resource({"resourceType": "Patient"})))
    )
    refused(ask(client, "Nothing", {}), 404, "not-supported", "no resource type")


def test_parameters_that_ask_nothing_are_the_resource_itself(client: TestClient) -> None:
    parameters = {"resourceType": "Parameters", "parameter": [{"name": "total", "valueInteger": "one"}]}
    assert issues(ask(client, "Parameters", parameters)) == said(check(parameters))


def test_it_stands_in_the_capability_statement_of_every_type(client: TestClient) -> None:
    [rest] = answered(client.get("/fhir/metadata"))["rest"]
    wanted = {"name": "validate", "definition": "http://hl7.org/fhir/OperationDefinition/Resource-validate"}
    assert {one["type"] for one in rest["resource"] if wanted in one["operation"]} == RESOURCE_TYPES
