"""What a composite parameter finds. Expected: HL7 FHIR R4 search.html#composite, the sentence named at each test."""

from typing import Any

import pytest
from starlette.testclient import TestClient

from fhirmod.intake.indexing import indexed_parameters, values
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, search_values

from .test_search import UCUM, found, keep
from .walked import refused

LOINC = "http://loinc.org"


def coded(code: str, system: str = LOINC, **more: Any) -> dict[str, Any]:
    return {"code": {"coding": [{"system": system, "code": code}]}, **more}


def pressed(value: float, unit: str = "mm[Hg]") -> dict[str, Any]:
    return {"valueQuantity": {"value": value, "system": UCUM, "code": unit, "unit": unit}}


def pressure(systolic: int, diastolic: int) -> dict[str, Any]:
    components = [coded("8480-6", **pressed(systolic)), coded("8462-4", **pressed(diastolic))]
    return {"status": "final", **coded("85354-9"), "component": components}


def answered(**coding: str) -> dict[str, Any]:
    return {"valueCodeableConcept": {"coding": [coding], "text": "said"}}


KEPT: dict[str, dict[str, Any]] = {
    "high": pressure(150, 70),
    "low": pressure(70, 50),
    "rate": {"status": "final", **coded("8867-4", **pressed(70, "/min"))},
    "own": {"status": "final", **coded("8480-6", **pressed(95))},
    "other": {"status": "final", **coded("8480-6", "urn:oid:2.999.1", **pressed(95, "MM[hg]"))},
    "tone": {"status": "final", **coded("T", "urn:oid:2.999.1", **answered(system="urn:oid:2.999.2", code="firm"))},
    "soft": {"status": "final", **coded("T", "urn:oid:2.999.1", **answered(code="soft$x"))},
    "word": {"status": "final", **coded("W", valueString="Änderung im Verlauf")},
    "seen": {"status": "final", **coded("D", valueDateTime="2026-03-01T10:00:00Z")},
    "past": {"status": "final", **coded("D", valuePeriod={"start": "2026-01-01", "end": "2026-01-31"})},
    "both": {
        "status": "final",
        "code": {
            "coding": [{"system": LOINC, "code": "8867-4"}, {"system": "urn:oid:2.999.1", "code": "P"}],
            "text": "x",
        },
        **pressed(80, "/min"),
    },
}


@pytest.mark.parametrize(
    ("name", "value", "expected"),
    [
        ("code-value-quantity", "8867-4$gt75", "both"),
        ("code-value-quantity", f"{LOINC}|8867-4$70|{UCUM}|/min", "rate"),
        ("code-value-quantity", "8867-4$70||mm[Hg]", ""),
        ("code-value-quantity", "P$80", "both"),
        ("code-value-quantity", f"{LOINC}|P$80", ""),  # code and system are of one coding
        ("code-value-quantity", "urn:oid:2.999.1|$80", "both"),  # any code of a system
        ("code-value-quantity", "urn:oid:2.999|P$80", ""),  # a system is not a beginning of one
        ("code-value-quantity", "8480-6$95", "own other"),
        ("code-value-quantity", "8480-6$95||mm[Hg]", "own"),  # UCUM minds the case
        ("code-value-quantity", "8480-6$ne95", ""),
        ("code-value-quantity", "8867-4$ne80", "rate"),
        ("code-value-quantity", "8480-6$le95,8867-4$lt75", "rate own other"),
        ("code-value-quantity", "85354-9$150", ""),  # the value of a component is none of the panel
        ("component-code-value-quantity", "8480-6$lt100", "low"),
        ("component-code-value-quantity", "8480-6$70", "low"),  # 70 is also a diastolic, of the other
        ("component-code-value-quantity", "8462-4$70", "high"),
        ("component-code-value-quantity", "8480-6$95", ""),  # there it is no component
        ("combo-code-value-quantity", "8480-6$lt100", "low own other"),
        ("code-value-concept", "T$firm", "tone"),
        ("code-value-concept", "urn:oid:2.999.1|T$urn:oid:2.999.2|firm", "tone"),
        ("code-value-concept", "T$urn:oid:2.999.2|", "tone"),
        ("code-value-concept", r"T$|soft\$x", "soft"),
        ("code-value-concept", "T$|firm", ""),
        ("code-value-concept", "T$fir", ""),
        ("combo-code-value-concept", r"T$firm,T$soft\$x", "tone soft"),
        ("code-value-string", "W$anderung", "word"),
        ("code-value-string", "W$verlauf", ""),  # a string begins so
        ("code-value-date", "D$2026-03-01", "seen"),
        ("code-value-date", "D$lt2026-02", "past"),
        ("code-value-date", f"{LOINC}|D$ge2026-01-31", "seen"),
        ("code-value-date", "W$2026-03-01", ""),
    ],
)
def test_a_composite_finds_what_stands_together(client: TestClient, name: str, value: str, expected: str) -> None:
    """Source: #composite (the values of one element), #escaping (a dollar of a value is escaped)."""
    keep(client, "Observation", **KEPT)
    assert found(client, "Observation", (name, value)) == expected


def test_composites_of_another_type_and_repeats(client: TestClient) -> None:
    """Source: #composite (`Group?characteristic-value=gender$mixed`), #combining."""

    def trait(code: str, said: str) -> dict[str, Any]:
        return {
            "code": {"coding": [{"code": code}]},
            "valueCodeableConcept": {"coding": [{"code": said}]},
            "exclude": False,
        }

    common = {"type": "person", "actual": True}
    a = common | {"characteristic": [trait("gender", "mixed"), trait("owner", "eve")]}
    b = common | {"characteristic": [trait("gender", "eve"), trait("owner", "mixed")]}
    keep(client, "Group", a=a, b=b)
    assert found(client, "Group", ("characteristic-value", "gender$mixed")) == "a"
    assert found(client, "Group", ("characteristic-value", "gender$mixed,owner$mixed")) == "a b"
    twice = (("characteristic-value", "gender$mixed"), ("characteristic-value", "owner$eve"))
    assert found(client, "Group", *twice) == "a"


@pytest.mark.parametrize(
    ("query", "code", "says"),
    [
        ("code-value-quantity=8480-6", "value", "token and quantity with a $ between"),
        ("code-value-quantity=8480-6$1$2", "value", "token and quantity with a $ between"),
        (r"code-value-quantity=8480-6\$1", "value", "token and quantity with a $ between"),
        ("code-value-quantity=$1", "value", "token and quantity with a $ between"),
        ("code-value-quantity=8480-6$", "value", "token and quantity with a $ between"),
        ("code-value-quantity=8480-6$high", "value", "takes a number"),
        ("code-value-quantity=|$1", "value", "a system or a value"),
        ("code-value-date=D$2026-02-30", "value", "takes a date"),
        ("code-value-quantity:missing=true", "not-supported", "code-value-quantity has the modifiers none"),
        ("code-value-concept:not=T$firm", "not-supported", "code-value-concept has the modifiers none"),
    ],
)
def test_a_composite_that_cannot_be_meant_is_refused(client: TestClient, query: str, code: str, says: str) -> None:
    """Source: #composite (modifiers are not used on composite parameters)."""
    refused(client.get(f"/fhir/Observation?{query}"), 400, code, says)


def test_every_composite_of_r4_is_answered_but_the_one_whose_halves_it_swaps() -> None:
    """Source: R4 4.0.1 SearchParameter DocumentReference-relationship: `code` read by a reference parameter."""
    left = {
        (type_, name)
        for type_ in RESOURCE_TYPES
        for name, one in searches(type_).items()
        if one.type == "composite" and name not in indexed_parameters(type_) and not name.startswith("combo-")
    }
    assert left == {("DocumentReference", "relationship")}
    related = {"resourceType": "DocumentReference", "relatesTo": [{"code": "replaces", "target": {"reference": "X/1"}}]}
    assert search_values(related, "relationship") == []


def test_parts_of_any_length_stay_within_one_index_row() -> None:
    """Source: PostgreSQL's manual, B-tree indexes: an entry takes at most about a third of a page (2,704 bytes)."""
    long = "\U0001f600" * 500
    observation = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": long, "code": long}]},
        "valueCodeableConcept": {"coding": [{"system": long, "code": long}]},
    }
    (row,) = [one for one in values(observation) if one[0] == "code-value-concept"]
    assert len((row[0] + row[1] + row[2] + "Observation").encode()) < 2_600
