"""What each kind of search parameter finds. Expected: HL7 FHIR R4 search.html, the clause named at each test.

The ranges and examples of numbers, dates and modifiers are those of the page, from memory where marked.
"""

from typing import Any
from urllib.parse import urlencode

import pytest
from starlette.testclient import TestClient

from fhirmod.r4 import dump

from .test_fhir import FHIR
from .walked import refused, valid

UCUM = "http://unitsofmeasure.org"
STRICT = {"prefer": "handling=strict"}


def keep(client: TestClient, type_: str, **named: dict[str, Any]) -> None:
    for id_, content in named.items():
        body = {"resourceType": type_, "id": id_, **content}
        answer = client.put(f"/fhir/{type_}/{id_}", content=dump(body), headers=FHIR)
        assert answer.status_code in (200, 201), answer.text


def found(client: TestClient, type_: str, *asked: tuple[str, str]) -> str:
    answer = valid(client.get(f"/fhir/{type_}?{urlencode(asked)}", headers=STRICT))
    url = answer["link"][0]["url"].removeprefix("http://testserver")
    assert valid(client.get(url)).get("entry") == answer.get("entry")  # `self` says what was applied
    ids = [one["resource"]["id"] for one in answer.get("entry", ())]
    assert len(ids) == answer["total"]
    return " ".join(ids)


def observed(**more: Any) -> dict[str, Any]:
    return {"status": "final", "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]}, **more}


def at(text: str) -> dict[str, Any]:
    return observed(effectiveDateTime=text)


# http://hl7.org/fhir/R4/search.html#date, #prefix: both sides are ranges
DATED = {
    "day": at("2013-01-14"),
    "month": at("2013-01"),
    "noon": at("2013-01-14T12:00:00Z"),
    "east": at("2013-01-15T00:30:00+01:00"),
    "after": at("2013-01-15"),
    "open": observed(effectivePeriod={"start": "2013-01-13T08:00:00Z"}),
}


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("2013-01-14", "day noon east"),
        ("eq2013-01-14", "day noon east"),
        ("2013-01", "day month noon east after"),
        ("2013-01-14T12:00Z", "noon"),
        ("2013-01-14T12:00", "noon"),
        ("2013-01-15T00:30:00 01:00", "east"),
        ("ne2013-01-14", "month after open"),
        ("gt2013-01-14", "month after open"),
        ("lt2013-01-14", "month open"),
        ("ge2013-01-14", "day month noon east after open"),
        ("le2013-01-14", "day month noon east open"),
        ("sa2013-01-14", "after"),
        ("eb2013-01-15", "day noon east"),
        ("2013-01-15,2013-01-14T12:00:00Z", "noon after"),
    ],
)
def test_a_date_compares_range_with_range(client: TestClient, value: str, expected: str) -> None:
    keep(client, "Observation", **DATED)
    assert found(client, "Observation", ("date", value)) == expected


def test_ap_takes_a_tenth_of_the_time_since(client: TestClient) -> None:
    """Source: search.html#prefix (the recommended approximation of a date is 10 % of the gap to now)."""
    keep(client, "Observation", near=at("2020-01-01"), far=at("2003-01-01"))
    assert found(client, "Observation", ("date", "ap2020-03-01")) == "near"


def weighed(value: Any, **more: Any) -> dict[str, Any]:
    return observed(valueQuantity={"value": value, "system": UCUM, "code": "mg", "unit": "mg", **more})


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (f"5.4|{UCUM}|mg", "a b"),  # [5.35, 5.45)
        ("5.4||milligram", "b"),  # the unit as people write it
        ("5.40||mg", "a"),  # [5.395, 5.405)
        ("5.4", "a b g"),
        ("5.4||g", "g"),
        (f"5.4|{UCUM}|g", "g"),
        ("5.4|http://other.example|mg", ""),
        ("ne5.4||mg", "c more"),
        ("gt5.4||mg", "b c more"),
        ("lt5.45||mg", "a b"),
        ("ge5.44||mg", "b c more"),
        ("le5.4||mg", "a"),
        ("sa5.44||mg", "c more"),
        ("eb5.45||mg", "a b"),
        ("ap5.9||mg", "a b c more"),
        ("gt1e2||mg", "more"),
    ],
)
def test_a_quantity_is_compared_by_its_precision_and_its_unit(client: TestClient, value: str, expected: str) -> None:
    """Source: search.html#quantity, #number (without a prefix the precision counts, with one of gt lt ge le it does not)."""
    kept = {
        "a": weighed(5.4),
        "b": weighed(5.44, unit="milligram"),
        "c": weighed(5.45),
        "g": weighed(5.4, code="g", unit="g"),
    }
    keep(client, "Observation", **kept, more=weighed(5.46, comparator=">"))
    assert found(client, "Observation", ("value-quantity", value)) == expected


def test_a_number_of_one_significant_digit_is_the_range_of_the_page(client: TestClient) -> None:
    """Source: search.html#number, 100 is [99.5, 100.5)."""
    risk = {"status": "final", "subject": {"reference": "Patient/p"}}
    kept = {f"r{n}": risk | {"prediction": [{"probabilityDecimal": n / 10}]} for n in (4, 5)}
    keep(client, "RiskAssessment", **kept)
    assert found(client, "RiskAssessment", ("probability", "0.5")) == "r5"
    assert found(client, "RiskAssessment", ("probability", "lt0.5")) == "r4"


@pytest.mark.parametrize(
    ("asked", "expected"),
    [
        (("given", "eve"), "e v"),
        (("given", "EVE"), "e v"),
        (("given:contains", "eve"), "e s v"),
        (("given:exact", "Eve"), "e"),
        (("given:exact", "eve"), ""),
        (("family", "Munoz"), "v"),
        (("family", "muñ"), "v"),
        (("name", "lovel"), "s"),
        (("family:missing", "true"), "e"),
        (("family:missing", "false"), "s v"),
        (("given", "%"), ""),
        (("given:contains", "_"), ""),
        (("gender", "female"), "e"),
        (("gender:not", "female"), "s v"),
        (("deceased", "true"), "s"),
        (("deceased", "false"), "e v"),
        (("birthdate", "1990"), "e"),
        (("organization", "Organization/o"), "e"),
        (("organization", "o"), "e"),
        (("organization:Organization", "o"), "e"),
        (("organization:missing", "true"), "s"),
        (("organization:identifier", "urn:oid:2.999.1|H"), "v"),
        (("organization", "http://testserver/fhir/Organization/o"), "e"),
        (("phone", "5,7"), "e v"),
    ],
)
def test_strings_tokens_and_references_of_a_patient(client: TestClient, asked: tuple[str, str], expected: str) -> None:
    """Source: search.html#string (starts with, case and accents aside), #modifiers, #token, #reference."""
    keep(client, "Organization", o={"name": "Invented"})
    phone = {"system": "phone", "value": "5"}
    keep(
        client,
        "Patient",
        e={
            "name": [{"given": ["Eve"]}],
            "gender": "female",
            "birthDate": "1990-02-03",
            "telecom": [phone],
            "managingOrganization": {"reference": "Organization/o"},
        },
        s={"name": [{"given": ["Steven"], "family": "Lovelace"}], "deceasedBoolean": True},
        v={
            "name": [{"given": ["Evelyn"], "family": "Muñoz"}],
            "telecom": [phone | {"value": "7"}],
            "managingOrganization": {"identifier": {"system": "urn:oid:2.999.1", "value": "H"}},
        },
    )
    assert found(client, "Patient", asked) == expected


def test_repeats_must_all_hold_and_alternatives_any(client: TestClient) -> None:
    """Source: search.html#combining."""
    other = {"code": {"coding": [{"system": "http://loinc.org", "code": "3151-8", "display": "Inspired oxygen"}]}}
    keep(client, "Observation", a=at("2026-03-01"), b=at("2026-03-02"), c=at("2026-03-02") | other)
    rate = "http://loinc.org|8867-4"
    for asked, expected in (
        ((("code", rate),), "a b"),
        ((("code", rate), ("date", "2026-03-02")), "b"),
        ((("code", f"{rate},3151-8"), ("date", "ge2026-03-02")), "b c"),
        ((("date", "ge2026-03-02"), ("date", "lt2026-03-02")), ""),
        ((("code:not", "3151-8"), ("date", "2026-03")), "a b"),
        ((("combo-code", "3151-8"),), "c"),
        ((("code:text", "inspired OX"),), "c"),
        ((("combo-code:text", "oxygen"), ("date", "2026-03-02")), ""),
        ((("_id", "c"), ("status", "final")), "c"),
        ((("status", "|final"), ("status", "amended,final"), ("date", "2026-03-01")), "a"),
    ):
        assert found(client, "Observation", *asked) == expected, asked


def test_a_search_sees_the_current_version_and_not_what_was_deleted(client: TestClient) -> None:
    keep(client, "Observation", a=at("2026-03-01"), b=at("2026-03-01"))
    keep(client, "Observation", a=at("2026-04-01"))
    client.delete("/fhir/Observation/b")
    assert found(client, "Observation", ("date", "2026-03-01")) == ""
    assert found(client, "Observation", ("date", "2026-04-01")) == "a"
    assert found(client, "Observation", ("value-quantity:missing", "true")) == "a"


@pytest.mark.parametrize(
    ("query", "code", "says"),
    [
        ("date=x", "value", "takes a date"),
        ("date=2026-02-30", "value", "takes a date"),
        ("date=xx2026", "value", "takes a date"),
        ("value-quantity=five", "value", "takes a number"),
        ("value-quantity=1|mg", "value", "number|system|code"),
        ("value-quantity=NaN", "value", "takes a number"),
        ("status=|", "value", "a system or a value"),
        ("status:exact=final", "not-supported", "status:exact"),
        ("code:in=x", "not-supported", "code:in"),
        ("status:missing=maybe", "value", "true or false"),
        ("subject:Observation=1", "value", "never refers to"),
        ("subject=", "value", "needs a value"),
    ],
)
def test_a_value_that_cannot_be_meant_is_refused(client: TestClient, query: str, code: str, says: str) -> None:
    """Source: search.html#modifiers (a server SHALL reject an unsupported modifier), #errors."""
    refused(client.get(f"/fhir/Observation?{query}"), 400, code, says)


def test_a_code_is_found_by_the_system_that_its_value_set_gives_it(client: TestClient) -> None:
    """Source: search.html#token (of code: "(implicit)", "the system is defined in the value set"); the systems are those of
    R4's value sets administrative-gender, observation-status and event-status; a boolean has no bar ("SHALL NOT be used").
    """
    keep(client, "Patient", her={"gender": "female"}, him={"gender": "male"}, who={"active": True})
    keep(client, "Observation", o=observed(), a=observed() | {"status": "amended"})
    gender, status = "http://hl7.org/fhir/administrative-gender", "http://hl7.org/fhir/observation-status"
    assert found(client, "Patient", ("gender", f"{gender}|female")) == "her"
    assert found(client, "Patient", ("gender", f"{gender}|female,{gender}|male")) == "her him"
    assert found(client, "Patient", ("gender", f"{gender}|")) == "her him"
    assert found(client, "Patient", ("gender:not", f"{gender}|male")) == "her who"
    assert found(client, "Patient", ("gender", f"{status}|female")) == ""
    assert found(client, "Patient", ("gender", "urn:oid:2.999|female")) == ""
    assert found(client, "Observation", ("status", f"{status}|amended")) == "a"
    assert found(client, "Observation", ("code", f"{status}|8867-4")) == ""  # a coding says its own system
    made = client.post(
        "/fhir/Patient", json={"resourceType": "Patient"}, headers=FHIR | {"if-none-exist": f"gender={gender}|male"}
    )
    assert (made.status_code, made.json()["id"]) == (200, "him")
