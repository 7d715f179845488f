"""Terminology operations on what is held: expansion, validation, look-up, translation.

Source: http://hl7.org/fhir/R4/valueset-operations.html, codesystem-operations.html, conceptmap-operations.html; codes of
administrative-gender and event-status from R4's own pages; LOINC 8867-4 "Heart rate" from R4's heart rate profile.
"""

from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from api.fhir.table import INTERACTIONS
from api.fhir.terminology import EXPAND, LOOKUP, TRANSLATE, UNHEARD, VALIDATE
from fhirmod.mapping import BASE
from fhirmod.r4 import dump
from fhirmod.r4.facts import facts
from terminology import OWN_SYSTEM, concept, words

from .test_fhir import FHIR
from .walked import refused, valid

pytestmark = pytest.mark.parametrize("backend", ["sqlite"], indirect=True)  # the record itself is not asked
GENDER = "http://hl7.org/fhir/ValueSet/administrative-gender"
GENDERS = "http://hl7.org/fhir/administrative-gender"
CAUSE = f"{BASE}/ValueSet/{concept('haemorrhage.causes').code}"


def ask(client: TestClient, address: str, **asked: str) -> dict[str, Any]:
    answer = client.get(f"/fhir/{address}?{urlencode(asked)}")
    assert answer.status_code == 200, answer.text
    return valid(answer)


def send(client: TestClient, address: str, *parameters: dict[str, Any]) -> Any:
    body = {"resourceType": "Parameters", "parameter": list(parameters)}
    return client.post(f"/fhir/{address}", content=dump(body), headers=FHIR)


def codes(value_set: dict[str, Any]) -> list[str]:
    return [one["code"] for one in value_set["expansion"].get("contains", ())]


def told(parameters: dict[str, Any], name: str) -> Any:
    [one] = [one for one in parameters["parameter"] if one["name"] == name]
    [value] = [value for key, value in one.items() if key.startswith("value")]
    return value


def test_a_value_set_of_r4_and_one_of_ours_are_expanded(client: TestClient) -> None:
    assert codes(ask(client, "ValueSet/$expand", url=GENDER)) == ["male", "female", "other", "unknown"]
    wanted = {concept(word).code for word in words("haemorrhage.causes")}
    by_url = ask(client, "ValueSet/$expand", url=CAUSE)
    assert {one["code"] for one in by_url["expansion"]["contains"] if one["system"] == OWN_SYSTEM} == wanted
    by_id = ask(client, f"ValueSet/{CAUSE.rpartition('/')[2]}/$expand")
    assert by_id["expansion"]["contains"] == by_url["expansion"]["contains"]
    posted = valid(send(client, "ValueSet/$expand", {"name": "url", "valueUri": CAUSE}))
    assert posted["expansion"]["contains"] == by_url["expansion"]["contains"]
    assert "compose" not in by_url
    assert "compose" in ask(client, "ValueSet/$expand", url=CAUSE, includeDefinition="true")


def test_an_expansion_is_filtered_and_paged(client: TestClient) -> None:
    assert codes(ask(client, "ValueSet/$expand", url=GENDER, filter="MALE")) == ["male", "female"]
    page = ask(client, "ValueSet/$expand", url=GENDER, count="2", offset="1")
    assert (codes(page), page["expansion"]["total"], page["expansion"]["offset"]) == (["female", "other"], 4, 1)
    assert codes(ask(client, "ValueSet/$expand", url=GENDER, count="2", offset="9")) == []
    none = ask(client, "ValueSet/$expand", url=GENDER, count="0")
    assert (codes(none), none["expansion"]["total"]) == ([], 4)


def test_a_value_set_that_is_sent_along_is_expanded_from_what_is_held(client: TestClient) -> None:
    include = [{"system": GENDERS}, {"system": "http://loinc.org", "concept": [{"code": "8867-4"}]}]
    exclude = [{"system": GENDERS, "concept": [{"code": "other"}]}]
    compose = {"include": include, "exclude": exclude}
    sent = {"resourceType": "ValueSet", "status": "draft", "compose": compose}
    found = valid(send(client, "ValueSet/$expand", {"name": "valueSet", "resource": sent}))
    assert codes(found) == ["male", "female", "unknown", "8867-4"]


@pytest.mark.parametrize("system", ["http://snomed.info/sct", "http://loinc.org"])
def test_a_whole_licensed_system_is_never_expanded(client: TestClient, system: str) -> None:
    sent = {"resourceType": "ValueSet", "status": "draft", "compose": {"include": [{"system": system}]}}
    answer = send(client, "ValueSet/$expand", {"name": "valueSet", "resource": sent})
    refused(answer, 400, "not-supported", f"cannot be told without {system}")
    asked = {"name": "coding", "valueCoding": {"system": system, "code": "no-such"}}
    answer = send(client, "ValueSet/$validate-code", {"name": "valueSet", "resource": sent}, asked)
    refused(answer, 400, "not-supported", f"cannot be told without {system}")


@pytest.mark.parametrize(
    ("code", "display", "wanted"),
    [("male", "", True), ("male", "MALE", True), ("male", "Woman", False), ("MALE", "", False), ("x", "", False)],
)
def test_a_code_is_judged_with_its_display(client: TestClient, code: str, display: str, wanted: bool) -> None:
    more = {"display": display} if display else {}
    for address, named in (("ValueSet", {"url": GENDER, "system": GENDERS}), ("CodeSystem", {"url": GENDERS})):
        said = ask(client, f"{address}/$validate-code", code=code, **named, **more)
        assert told(said, "result") is wanted
        assert any(one["name"] == "message" for one in said["parameter"]) is not wanted


def test_a_coding_and_a_concept_are_judged_too(client: TestClient) -> None:
    right, other = {"system": GENDERS, "code": "male"}, {"system": GENDERS, "code": "x"}
    at, url = "ValueSet/$validate-code", {"name": "url", "valueUri": GENDER}
    for given, wanted in (
        ({"name": "coding", "valueCoding": right}, True),
        ({"name": "coding", "valueCoding": other}, False),
        ({"name": "codeableConcept", "valueCodeableConcept": {"coding": [other, right]}}, True),
        ({"name": "codeableConcept", "valueCodeableConcept": {"coding": [other]}}, False),
    ):
        assert told(valid(send(client, at, url, given)), "result") is wanted
    assert told(valid(send(client, "CodeSystem/$validate-code", {"name": "coding", "valueCoding": right})), "result")
    own = ask(client, "CodeSystem/tamponade/$validate-code", code=concept("fill").code)
    assert (told(own, "result"), told(own, "display")) == (True, concept("fill").display)


def test_a_code_is_looked_up(client: TestClient) -> None:
    own = ask(client, "CodeSystem/$lookup", system=OWN_SYSTEM, code=concept("fill").code)
    assert (told(own, "name"), told(own, "display")) == ("Tamponade", concept("fill").display)
    assert {one["part"][0]["valueCode"] for one in own["parameter"] if one["name"] == "property"} >= {"key"}
    assert told(ask(client, "CodeSystem/$lookup", system=GENDERS, code="male"), "display") == "Male"
    assert told(ask(client, "CodeSystem/$lookup", system="http://loinc.org", code="8867-4"), "display") == "Heart rate"
    answer = client.get(f"/fhir/CodeSystem/$lookup?{urlencode({'system': GENDERS, 'code': 'x'})}")
    refused(answer, 404, "not-found", "is not in")


def test_a_code_is_translated_both_ways(client: TestClient) -> None:
    key = "haemorrhage.causes.tone"
    wanted = {one.code: one.relation for one in concept(key).codings if one.system == "http://snomed.info/sct"}
    asked = {"system": OWN_SYSTEM, "code": concept(key).code, "targetsystem": "http://snomed.info/sct"}
    for address in ("ConceptMap/$translate", "ConceptMap/tamponade-to-sct/$translate"):
        said = ask(client, address, **asked)
        assert told(said, "result")
        parts = [{one["name"]: one for one in each["part"]} for each in said["parameter"] if each["name"] == "match"]
        assert {one["concept"]["valueCoding"]["code"] for one in parts} == set(wanted)
        assert {one["equivalence"]["valueCode"] for one in parts} == {"equivalent"}
    code = next(iter(wanted))
    back = ask(client, "ConceptMap/$translate", system="http://snomed.info/sct", code=code, reverse="true")
    matches = [{one["name"]: one for one in each["part"]} for each in back["parameter"] if each["name"] == "match"]
    assert concept(key).code in {one["concept"]["valueCoding"]["code"] for one in matches}
    nothing = ask(client, "ConceptMap/$translate", system=GENDERS, code="male")
    assert not told(nothing, "result")


@pytest.mark.parametrize(
    ("address", "status", "code"),
    [
        ("ValueSet/$expand?url=http://example.org/none", 404, "not-found"),
        (f"ValueSet/$expand?url={GENDER}|9.9", 404, "not-found"),
        ("ValueSet/none-such/$expand", 404, "not-found"),
        ("ValueSet/$expand", 400, "value"),
        (f"ValueSet/$expand?url={GENDER}&count=-1", 400, "value"),
        (f"ValueSet/$expand?url={GENDER}&colour=red", 400, "value"),
        (f"ValueSet/$expand?url={GENDER}&url={GENDER}", 400, "value"),
        (f"ValueSet/$expand?url={GENDER}&displayLanguage=de", 400, "not-supported"),
        (f"ValueSet/$validate-code?url={GENDER}", 400, "value"),
        (f"ValueSet/$validate-code?url={GENDER}&code=male", 400, "value"),
        (f"ValueSet/$validate-code?url={GENDER}&coding=male", 400, "value"),
        ("CodeSystem/$validate-code?url=http://example.org/none&code=a", 404, "not-found"),
        ("CodeSystem/$lookup?code=a", 400, "value"),
        ("CodeSystem/$lookup?system=http://loinc.org&code=no-such", 400, "not-supported"),
        ("ConceptMap/none-such/$translate?system=a&code=b", 404, "not-found"),
    ],
)
def test_what_cannot_be_answered_is_refused(client: TestClient, address: str, status: int, code: str) -> None:
    refused(client.get(f"/fhir/{address}"), status, code, "")


def test_a_body_that_asks_nothing_sensible_is_refused(client: TestClient) -> None:
    answer = client.post("/fhir/ValueSet/$expand", content=b'{"resourceType":"Patient"}', headers=FHIR)
    assert answer.status_code in (400, 422), answer.text
    refused(send(client, "ValueSet/$expand", {"name": "url", "valueInteger": 5}), 400, "value", "takes a uri")
    twice = [{"name": "url", "valueUri": GENDER}] * 2
    refused(send(client, "ValueSet/$expand", *twice), 400, "value", "more than once")


@pytest.mark.usefixtures("client")
def test_the_parameters_are_those_of_r4s_definitions() -> None:
    defined = {
        one["url"]: {each["name"]: each.get("type") for each in one["parameter"] if each["use"] == "in"}
        for one in facts()["operations"]
    }
    home = "http://hl7.org/fhir/OperationDefinition/"
    for of, applied, unheard in (
        ("ValueSet-expand", EXPAND, UNHEARD["expand"]),
        ("ValueSet-validate-code", VALIDATE["ValueSet"], UNHEARD["ValueSet"]),
        ("CodeSystem-validate-code", VALIDATE["CodeSystem"], UNHEARD["CodeSystem"]),
        ("CodeSystem-lookup", LOOKUP, UNHEARD["lookup"]),
        ("ConceptMap-translate", TRANSLATE, UNHEARD["translate"]),
    ):
        theirs = defined[home + of]
        assert {name: theirs[name] for name in applied} == dict(applied)
        assert set(applied) | unheard == set(theirs)
        assert any(one.definition == home + of for one in INTERACTIONS)
