"""What an unread resource may have been: the kinds that it could have changed, and no others."""

from typing import Any

import pytest

from fhirmod.episode import KINDS
from fhirmod.mapping.might_be import ELSEWHERE, might_be
from fhirmod.r4 import RESOURCE_TYPES

UCUM = "http://unitsofmeasure.org"
LOCAL = {"coding": [{"system": "urn:example:lab", "code": "X1"}]}
VOLUMES = {
    "bladder",
    "blood-loss",
    "fill",
    "urine",
    "volume-stated",
    "withdrawal",
}


def observation(**fields: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": LOCAL, **fields}


def quantity(unit: str) -> dict[str, Any]:
    return {"value": 5, "unit": unit, "system": UCUM, "code": unit}


def category(code: str) -> list[dict[str, Any]]:
    return [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": code}]}]


def test_a_number_in_millilitres_may_be_any_volume_that_is_an_observation_and_nothing_else() -> None:
    assert might_be(observation(valueQuantity=quantity("mL")), None) == VOLUMES - {"bladder"}
    assert might_be(observation(valueQuantity=quantity("L")), None) == VOLUMES - {"bladder"}


def test_a_unit_of_the_senders_own_may_be_any_number() -> None:
    found = might_be(observation(valueQuantity={"value": 5, "unit": "cups"}), None)
    assert found > VOLUMES - {"bladder"}
    assert "note" not in found


def test_a_category_of_hl7_narrows_what_it_may_be() -> None:
    assert might_be(observation(valueQuantity=quantity("%"), category=category("laboratory")), None) == {"laboratory"}
    assert might_be(observation(category=category("vital-signs")), None) == {"vital-signs", "background"}


def test_a_code_that_is_known_decides() -> None:
    loss = {"coding": [{"system": "http://loinc.org", "code": "81661-1"}]}
    assert might_be(observation(code=loss, valueQuantity=quantity("kg")), None) == {"blood-loss"}


def test_a_drug_that_is_not_known_may_be_anything_given() -> None:
    drug = {"resourceType": "MedicationAdministration", "status": "completed", "medicationCodeableConcept": LOCAL}
    assert might_be(drug, None) == {"medication", "infusion", "fluid", "transfusion"}
    assert might_be({**drug, "status": "not-done"}, None) == frozenset()


def test_what_has_not_happened_leaves_nothing_out() -> None:
    assert might_be(observation(status="cancelled"), None) == frozenset()
    assert might_be(None, None) == frozenset()


def test_our_own_kind_is_the_kind() -> None:
    assert might_be(observation(), "fill") == {"fill"}
    assert might_be({"resourceType": "Provenance"}, "retraction") == set(KINDS)


@pytest.mark.parametrize("type_", sorted(ELSEWHERE))
def test_what_is_told_elsewhere_is_told_in_types_of_r4_and_kinds_of_ours(type_: str) -> None:
    assert type_ in RESOURCE_TYPES
    assert set(KINDS) >= might_be({"resourceType": type_, "status": "completed"}, None)
