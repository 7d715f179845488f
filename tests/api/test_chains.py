"""Searches by what a resource refers to, and by what refers to it. Expected: HL7 FHIR R4 search.html#chaining, #has."""

import pytest
from starlette.testclient import TestClient

from fhirmod.intake import Asking, sought
from fhirmod.r4 import alternatives
from fhirmod.store import Sought

from .test_including import to
from .test_search import found, keep, observed
from .walked import refused

QUERIES = {
    "subject:Patient.name=eve": "pulse panel",
    "subject.name=eve": "pulse panel",
    "patient.name=eve": "pulse panel",
    "patient.name:exact=Eve": "pulse panel",
    "patient.name:exact=eve": "",
    "patient.identifier=urn:oid:2.999.1|7": "ward",
    "patient._id=eve,ada": "pulse panel ward",
    "patient.birthdate=lt1991": "pulse panel",
    "patient.organization.name=clinic": "pulse panel",
    "patient.organization.partof.name=region": "pulse panel",
    "patient.organization:missing=true": "ward",
    "patient.organization:missing=true&status=final": "ward",
    "patient.name=eve&status=amended": "panel",
    "has-member.status=final": "panel",
    "has-member:Observation.patient.name=eve": "panel",
    "has-member:Observation.patient.name=ada": "",
    "patient.gender:not=male": "pulse panel ward",
    "_has:Observation:has-member:status=amended": "pulse",
    "patient._has:Observation:patient:status=amended": "pulse panel",
    "_has:Provenance:target:agent.name=invented": "ward",
    "_has:Provenance:target:_id=p,other": "ward",
}


@pytest.fixture
def kept(client: TestClient) -> TestClient:
    keep(client, "Organization", region={"name": "Region"})
    keep(client, "Organization", clinic={"name": "Clinic", "partOf": to("Organization/region")})
    eve = {"name": [{"given": ["Eve"]}], "birthDate": "1990-02-03", "managingOrganization": to("Organization/clinic")}
    ada = {"name": [{"given": ["Ada"]}], "identifier": [{"system": "urn:oid:2.999.1", "value": "7"}]}
    keep(client, "Patient", eve=eve, ada=ada, gone={"name": [{"given": ["Eve"]}]})
    keep(client, "Practitioner", who={"name": [{"text": "Invented"}]})
    keep(client, "Observation", pulse=observed(subject=to("Patient/eve")))
    panel = observed(subject=to("Patient/eve"), hasMember=[to("Observation/pulse")]) | {"status": "amended"}
    keep(client, "Observation", panel=panel, ward=observed(subject=to("Patient/ada")))
    keep(client, "Observation", loose=observed(subject={"display": "a woman"}))
    told = {"recorded": "2026-03-01T10:00:00Z", "agent": [{"who": to("Practitioner/who")}]}
    keep(client, "Provenance", p={"target": [to("Observation/ward")], **told})
    client.delete("/fhir/Patient/gone")
    return client


def test_a_chain_and_has_find_what_their_words_say(kept: TestClient) -> None:
    for query, expected in QUERIES.items():
        asked = [(one.partition("=")[0], one.partition("=")[2]) for one in query.split("&")]
        assert found(kept, "Observation", *asked) == expected, query


def test_a_woman_is_found_by_what_was_observed_of_her(kept: TestClient) -> None:
    assert found(kept, "Patient", ("_has:Observation:patient:status", "amended")) == "eve"
    assert found(kept, "Patient", ("_has:Observation:subject:code", "http://loinc.org|8867-4")) == "eve ada"
    assert found(kept, "Patient", ("_has:Observation:patient:_has:Provenance:target:_id", "p")) == "ada"
    assert found(kept, "Patient", ("_has:Observation:patient:code", "x"), ("name", "eve")) == ""


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("status.name=x", "leads to no other resource"),
        ("subject:Procedure.status=x", "leads to Device, Group, Location, Patient"),
        ("subject:Patient.nothing=x", "Patient is not searched by 'nothing'"),
        ("subject.nothing:not=x", "leads to Device, Group, Location, Patient; none of these is searched by 'nothing'"),
        ("patient.name:in=x", "name:in"),
        ("_has:Observation:code:status=x", "_has names a type"),
        ("_has:Observation:patient=x", "_has names a type"),
        ("_has=x", "_has names a type"),
        ("_has:Nothing:patient:status=x", "_has names a type"),
        ("_has:Provenance:target:nothing=x", "Provenance is not searched by 'nothing'"),
        ("has-member." * 5 + "status=final", "follows 3 references"),
        ("_id:not=x", "_id has the modifiers none"),
    ],
)
def test_what_leads_nowhere_is_refused_even_of_a_lenient_client(client: TestClient, query: str, says: str) -> None:
    """Less than was asked must not be answered: the search would give other women's data too."""
    refused(client.get(f"/fhir/Observation?{query}"), 400, "not-supported", says)


def test_a_value_that_the_end_of_a_chain_cannot_mean_is_refused(client: TestClient) -> None:
    refused(client.get("/fhir/Observation?patient.birthdate=soon"), 400, "value", "takes a date")


@pytest.mark.parametrize(
    "query",
    [
        "Task?subject.subject.subject.name=x",  # 563 ends: before, ten seconds and 120 MB
        "Provenance?target.patient.name=" + ",".join(f"n{n}" for n in range(10)),
        "Observation?subject.name=x" + "".join(f"&subject.name={','.join('abcdef')}" for _ in range(9)),
    ],
)
def test_a_chain_that_ends_in_more_than_one_statement_can_say_is_refused(client: TestClient, query: str) -> None:
    """Source: http://hl7.org/fhir/R4/search.html#errors (a search that cannot be executed is 4xx with an outcome)."""
    refused(client.get(f"/fhir/{query}"), 400, "value", "name the types meant, like subject:Patient.name")


def test_a_chain_that_ends_too_often_is_not_read_for_each_of_its_alternatives(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No published source: what is refused must cost little (before: 137,430 values read in 3 s)."""
    values: list[str] = []

    def counted(type_: str, name: str, modifier: str, value: str, asking: Asking) -> Sought:
        values.extend(alternatives(value))
        return sought(type_, name, modifier, value, asking)

    monkeypatch.setattr("fhirmod.intake.chaining.sought", counted)
    many = ",".join(f"ap{year}" for year in range(1900, 2100))
    refused(client.get(f"/fhir/Task?subject.subject.subject._lastUpdated={many}"), 400, "value", "name the types meant")
    assert set(values) == {"ap1900"}


def test_a_chain_from_all_types_to_a_woman_is_answered(kept: TestClient) -> None:
    ids = ",".join(f"urn:oid:2.999.1|{n}" for n in range(50))  # one end: they differ by their text alone
    assert found(kept, "Provenance", ("target.patient.identifier", ids)) == "p"
    assert found(kept, "Provenance", ("target:Observation.subject:Patient.name", "ada")) == "p"


def test_an_identifier_may_be_missing_or_another(kept: TestClient) -> None:
    assert found(kept, "Patient", ("identifier:missing", "true")) == "eve"
    assert found(kept, "Patient", ("identifier:missing", "false")) == "ada"
    assert found(kept, "Patient", ("identifier:not", "urn:oid:2.999.1|7")) == "eve"


def test_an_identifier_is_found_by_its_type(client: TestClient) -> None:
    """Source: http://hl7.org/fhir/R4/search.html#modifiers (:of-type, with HL7 table 0203's MR and SS as there)."""
    system = "http://terminology.hl7.org/CodeSystem/v2-0203"
    for id_, code in (("a", "MR"), ("b", "SS")):
        typed = {"type": {"coding": [{"system": system, "code": code}]}, "system": "urn:oid:2.999.1", "value": "446053"}
        keep(client, "Patient", **{id_: {"identifier": [typed]}})
    keep(client, "Patient", c={"identifier": [{"value": "446053"}]})
    assert found(client, "Patient", ("identifier:of-type", f"{system}|MR|446053")) == "a"
    assert found(client, "Patient", ("identifier:of-type", f"{system}|MR|446053,{system}|SS|446053")) == "a b"
    assert found(client, "Patient", ("identifier:of-type", f"{system}|MR|44605")) == ""
    keep(client, "Observation", o=observed(subject=to("Patient/a")))
    assert found(client, "Observation", ("patient.identifier:of-type", f"{system}|MR|446053")) == "o"
    for wrong in ("446053", f"{system}|446053", f"{system}||446053", f"{system}|MR|", "a|b|c|d"):
        refused(client.get(f"/fhir/Patient?identifier:of-type={wrong}"), 400, "value", "takes system|code|value")
    refused(client.get("/fhir/Observation?code:of-type=a|b|c"), 400, "not-supported", "code:of-type")
