"""A parameter that is another one narrowed to a type: `patient` finds what `subject` refers to, where that is a Patient.

Source: the expression of Observation-patient in R4, Observation.subject.where(resolve() is Patient); R4 references.html
        (Reference.type says what a reference is of where its text does not); search.html#modifiers.
"""

from typing import Any

import pytest
from starlette.testclient import TestClient

from .test_including import to
from .test_search import found, keep, observed
from .walked import refused, valid

ELSEWHERE = "http://elsewhere.example/fhir/Patient/7"
LOGICAL = {"system": "urn:oid:2.999.1", "value": "H"}
SUBJECTS: dict[str, dict[str, Any]] = {
    "plain": to("Patient/eve"),
    "versioned": to("Patient/eve/_history/1"),
    "group": to("Group/eve"),
    "address": to(ELSEWHERE),
    "place": to("http://elsewhere.example/fhir/Location/7"),
    "urn": to("urn:uuid:c757873d-ec9a-4326-a141-556f43239520"),
    "said": to("urn:uuid:c757873d-ec9a-4326-a141-556f43239521") | {"type": "Patient"},
    "inside": to("#her"),
    "logical": {"identifier": LOGICAL, "type": "Patient"},
    "nobody": {"identifier": LOGICAL},
    "shown": {"display": "a woman"},
}
HERS = "plain versioned address said inside logical"


@pytest.fixture
def kept(client: TestClient) -> TestClient:
    keep(client, "Patient", eve={"name": [{"given": ["Eve"]}]}, ada={"name": [{"given": ["Ada"]}]})
    keep(client, "Group", eve={"type": "person", "actual": True, "name": "Eve"})
    inner = {"contained": [{"resourceType": "Patient", "id": "her"}]}
    for id_, subject in SUBJECTS.items():
        keep(client, "Observation", **{id_: observed(subject=subject, **(inner if id_ == "inside" else {}))})
    return client


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("patient", "eve", "plain versioned"),
        ("patient", "Patient/eve", "plain versioned"),
        ("patient", "http://testserver/fhir/Patient/eve", "plain versioned"),
        ("patient:Patient", "eve", "plain versioned"),
        ("patient:Group", "eve", ""),
        ("patient", "Group/eve", ""),
        ("patient", "Group/eve,Patient/eve", "plain versioned"),
        ("patient", ELSEWHERE, "address"),
        ("patient", f"{ELSEWHERE},eve", "plain versioned address"),
        ("patient", "http://elsewhere.example/fhir/Location/7", ""),
        ("patient", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", ""),
        ("patient", "urn:uuid:c757873d-ec9a-4326-a141-556f43239521", "said"),
        ("patient:missing", "false", HERS),
        ("patient:missing", "true", "group place urn nobody shown"),
        ("patient:identifier", "urn:oid:2.999.1|H", "logical"),
        ("patient.name", "eve", "plain versioned"),
        ("patient:Patient.name", "eve", "plain versioned"),
        ("subject", "eve", "plain versioned group"),
        ("subject:Group", "eve", "group"),
        ("subject", ELSEWHERE, "address"),
        ("subject", "http://elsewhere.example/fhir/Location/7", "place"),
        ("subject", "urn:uuid:c757873d-ec9a-4326-a141-556f43239521", "said"),
        ("subject:missing", "true", "shown"),
        ("subject:identifier", "urn:oid:2.999.1|H", "logical nobody"),
    ],
)
def test_a_narrowed_parameter_finds_what_refers_to_its_type_and_nothing_else(
    kept: TestClient, name: str, value: str, expected: str
) -> None:
    assert found(kept, "Observation", (name, value)) == expected
    more = [(name, value), ("status", "final"), ("code", "8867-4")]
    assert found(kept, "Observation", *more) == expected


def test_what_leads_back_by_it_comes_from_its_type_alone(kept: TestClient) -> None:
    """Source: search.html#revinclude, #has, #sort (what has no value comes last here)."""
    assert found(kept, "Patient", ("_has:Observation:patient:status", "final")) == "eve"
    assert found(kept, "Group", ("_has:Observation:subject:status", "final")) == "eve"
    refused(kept.get("/fhir/Group?_has:Observation:patient:status=final"), 400, "not-supported", "_has names a type")
    for type_, param, expected in (
        ("Patient", "patient", "plain versioned"),
        ("Patient", "subject", "plain versioned"),
        ("Group", "patient", ""),
        ("Group", "subject", "group"),
        ("Group", "*", "group"),
    ):
        page = valid(kept.get(f"/fhir/{type_}?_id=eve&_revinclude=Observation:{param}"))
        came = [one["resource"]["id"] for one in page["entry"] if one["search"]["mode"] == "include"]
        assert " ".join(came) == expected, (type_, param)
    keep(kept, "Observation", other=observed(subject=to("Patient/ada")))
    asked = (("_id", "plain,group,other"), ("_sort", "-patient"))
    assert found(kept, "Observation", *asked) == "plain other group"


def test_what_a_participant_is_narrows_by_the_same_rule(client: TestClient) -> None:
    """Source: Encounter-practitioner in R4, Encounter.participant.individual.where(resolve() is Practitioner)."""
    base = {
        "status": "finished",
        "class": {"code": "IMP", "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode"},
    }
    keep(client, "Practitioner", p={"active": True})
    keep(client, "RelatedPerson", p={"patient": to("Patient/eve")})
    keep(client, "Encounter", a=base | {"participant": [{"individual": to("Practitioner/p")}]})
    keep(client, "Encounter", b=base | {"participant": [{"individual": to("RelatedPerson/p")}]})
    assert found(client, "Encounter", ("practitioner", "p")) == "a"
    assert found(client, "Encounter", ("participant", "p")) == "a b"
    assert found(client, "Encounter", ("practitioner:missing", "true")) == "b"
