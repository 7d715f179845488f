"""What search parameters index, by http://hl7.org/fhir/R4/search.html."""

from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest

from fhirmod.r4 import (
    RESOURCE_TYPES,
    CompositeValue,
    DateValue,
    NumberValue,
    QuantityValue,
    ReferenceValue,
    StringValue,
    TokenValue,
    UriValue,
    search_parameter,
    search_parameters,
    search_values,
)

from .corpus import valid

UCUM = "http://unitsofmeasure.org"


def day(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)  # type: ignore[misc, arg-type]


def observed(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **more}


def test_a_token_is_system_and_code_and_text() -> None:
    # search.html#token: a CodeableConcept is matched by any of its codings, and :text by display or text
    coded = observed(code={"coding": [{"system": "http://loinc.org", "code": "1-8"}], "text": "invented"})
    assert search_values(coded, "code") == [
        TokenValue("http://loinc.org", "1-8", "invented"),
        TokenValue(None, None, "invented"),
    ]
    assert search_values(coded, "status") == [TokenValue(None, "final")]


def test_an_identifier_carries_its_types() -> None:
    patient = {
        "resourceType": "Patient",
        "identifier": [
            {"type": {"coding": [{"system": "http://t", "code": "MR"}]}, "system": "http://s", "value": "1"}
        ],
        "active": False,
        "telecom": [{"system": "phone", "value": "1"}, {"system": "email", "value": "a@example.org"}],
    }
    assert search_values(patient, "identifier") == [TokenValue("http://s", "1", None, (("http://t", "MR"),))]
    assert search_values(patient, "active") == [TokenValue(None, "false")]
    assert search_values(patient, "phone") == [TokenValue("phone", "1")]


@pytest.mark.parametrize(
    ("recorded", "dead"),
    [({}, "false"), ({"deceasedBoolean": False}, "false"), ({"deceasedBoolean": True}, "true"),
     ({"deceasedDateTime": "2026"}, "true")],
)  # fmt: skip
def test_deceased_is_a_verdict(recorded: dict[str, Any], dead: str) -> None:
    assert search_values({"resourceType": "Patient", **recorded}, "deceased") == [TokenValue(None, dead)]


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("2026", day(2026, 1, 1), day(2027, 1, 1)),
        ("2026-02", day(2026, 2, 1), day(2026, 3, 1)),
        ("2024-02-29", day(2024, 2, 29), day(2024, 3, 1)),
        ("2026-03-02T10:00:00+02:00", day(2026, 3, 2, 8), day(2026, 3, 2, 8, 0, 1)),
        ("2026-03-02T10:00:00.5Z", day(2026, 3, 2, 10, 0, 0, 500000), day(2026, 3, 2, 10, 0, 0, 600000)),
        ("2016-12-31T23:59:60Z", day(2017, 1, 1), day(2017, 1, 1, 0, 0, 1)),
    ],
)
def test_a_date_covers_the_range_of_its_precision(text: str, low: datetime, high: datetime) -> None:
    # search.html#date
    assert search_values(observed(effectiveDateTime=text), "date") == [DateValue(low, high)]


def test_a_period_is_a_range_and_may_be_open() -> None:
    assert search_values(observed(effectivePeriod={"start": "2026-03-02"}), "date") == [
        DateValue(day(2026, 3, 2), None)
    ]
    assert search_values(observed(effectivePeriod={"end": "2026-03"}), "date") == [DateValue(None, day(2026, 4, 1))]


def test_the_ends_of_the_calendar_do_not_break_a_date() -> None:
    for text in ("9999", "9999-12", "9999-12-31", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00"):
        values = search_values(observed(effectiveDateTime=text), "date")
        assert [type(value) for value in values] == [DateValue], text


def test_a_quantity_is_a_range_by_its_comparator() -> None:
    def indexed(**quantity: Any) -> list[Any]:
        return search_values(observed(valueQuantity={"system": UCUM, "code": "mL", **quantity}), "value-quantity")

    five = Decimal("500.0")
    assert indexed(value=five) == [QuantityValue(five, five, UCUM, "mL")]
    assert indexed(value=five, comparator=">", unit="mL") == [QuantityValue(five, None, UCUM, "mL", "mL")]
    assert indexed(value=five, comparator="<=") == [QuantityValue(None, five, UCUM, "mL")]
    assert indexed() == []


def test_references_are_kept_as_recorded() -> None:
    found = search_values(observed(performer=[{"reference": "Practitioner/a"}, {"display": "x"}]), "performer")
    assert found == [ReferenceValue("Practitioner/a", "Practitioner")]
    logical = observed(subject={"type": "Patient", "identifier": {"system": "http://s", "value": "1"}})
    assert search_values(logical, "subject") == [ReferenceValue(None, "Patient", TokenValue("http://s", "1"))]


def test_strings_are_the_parts_of_names_and_addresses() -> None:
    patient = {
        "resourceType": "Patient",
        "name": [{"family": "Invented", "given": ["Ada", None], "_given": [None, {}]}],
    }
    assert search_values(patient, "name") == [StringValue("Invented"), StringValue("Ada")]
    assert search_values(patient, "family") == [StringValue("Invented")]


def test_a_composite_keeps_together_what_stands_together() -> None:
    component = [
        {"code": {"coding": [{"code": "a"}]}, "valueQuantity": {"value": 1}},
        {"code": {"coding": [{"code": "b"}]}, "valueQuantity": {"value": 2}},
    ]
    assert search_values(observed(component=component), "component-code-value-quantity") == [
        CompositeValue(((TokenValue(None, "a"),), (QuantityValue(Decimal(1), Decimal(1), None, None),))),
        CompositeValue(((TokenValue(None, "b"),), (QuantityValue(Decimal(2), Decimal(2), None, None),))),
    ]


def test_numbers_and_uris() -> None:
    risk = {"resourceType": "RiskAssessment", "prediction": [{"probabilityDecimal": Decimal("0.5")}]}
    assert search_values(risk, "probability") == [NumberValue(Decimal("0.5"), Decimal("0.5"))]
    assert search_values({"resourceType": "ValueSet", "url": "http://example.org/vs"}, "url") == [
        UriValue("http://example.org/vs")
    ]


def test_common_parameters_belong_to_every_type() -> None:
    for kind in RESOURCE_TYPES:
        assert {"_id", "_lastUpdated", "_profile", "_security", "_source", "_tag"} <= set(search_parameters(kind))
    meta = {
        "lastUpdated": "2026-03-02T10:00:00Z",
        "tag": [{"code": "x"}],
        "profile": ["http://example.org/p"],
    }
    patient = {"resourceType": "Patient", "id": "p", "meta": meta}
    assert search_values(patient, "_id") == [TokenValue(None, "p")]
    assert search_values(patient, "_tag") == [TokenValue(None, "x")]
    assert search_values(patient, "_profile") == [UriValue("http://example.org/p")]


def test_an_example_is_no_parameter_and_hides_none() -> None:
    # http://hl7.org/fhir/R4/condition.html#search: subject leads to Group and Patient;
    # http://hl7.org/fhir/R4/patient.html#search lists no part-agree
    subject = search_parameters("Condition")["subject"]
    assert subject.url == "http://hl7.org/fhir/SearchParameter/Condition-subject"
    assert subject.targets == {"Group", "Patient"}
    assert search_parameter("Patient", "part-agree") is None


def test_an_unknown_parameter_is_no_parameter() -> None:
    assert search_parameter("Patient", "colour") is None
    with pytest.raises(KeyError):
        search_values({"resourceType": "Patient"}, "colour")


@pytest.mark.parametrize("label", valid())
def test_every_parameter_reads_every_instance(label: str) -> None:
    resource = valid()[label]
    for code in search_parameters(resource["resourceType"]):
        assert isinstance(search_values(resource, code), list)
