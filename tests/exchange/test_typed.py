"""Everything this software writes loads in fhir.resources R4B and comes back without loss, listed refusals aside.

The outside judge is fhir.resources 8; what it refuses of valid R4 is listed with the reason, and nothing else may be.
"""

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import KINDS, Retraction
from fhirmod.errors import InvalidError, NotSupportedError
from fhirmod.exchange import Case, case_bundle, demo_cases, from_typed, to_typed
from fhirmod.exchange.typed import REFUSED, refusals
from fhirmod.intake import Intake
from fhirmod.mapping import Context, images, retraction_image
from fhirmod.r4 import check, dump, parse
from tests.any_entry import any_entry
from tests.intake.case import ALL, request
from tests.intake.conftest import intake, new_intake  # noqa: F401  the fixtures

CONTEXT = Context("Patient/1", "Procedure/anchor", "Encounter/e")
CASES = {one.name: one for one in demo_cases()}


def comes_back(resource: Any) -> None:
    try:
        model = to_typed(resource)
    except NotSupportedError:
        assert list(refusals(resource)), resource
        return
    assert from_typed(model, resource) == resource
    assert dump(from_typed(model, resource)) == dump(resource)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(data=st.data())
def test_every_image_of_every_kind_loads_and_comes_back(kind: str, data: st.DataObject) -> None:
    entry = data.draw(any_entry(kind))
    made = images(entry, CONTEXT, root=entry.id)
    if isinstance(entry, Retraction):
        made = [retraction_image(entry, CONTEXT, root=entry.id, targets=["Observation/x"])]
    for image in made:
        comes_back(parse(dump(image.body)))


@pytest.mark.parametrize("case", CASES.values(), ids=list(CASES))
def test_every_resource_of_the_invented_cases_loads_and_comes_back(case: Case, intake: Intake) -> None:  # noqa: F811
    episode = intake.open(request(), case.opening)[0].row.id
    intake.append(request(), episode, case.entries)
    text = intake.store.read(lambda reader: case_bundle(reader, ALL, episode, "http://a/fhir"))
    for entry in parse(text)["entry"]:
        comes_back(entry["resource"])


def observation(**fields: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **fields}


def test_digits_and_times_that_the_models_own_dump_would_change_are_kept() -> None:
    told = observation(
        effectiveDateTime="2026-03-01T02:00:00.10+00:00",
        valueQuantity={"value": Decimal("1.50"), "unit": "mL"},
        note=[{"text": "a"}],
    )
    model: Any = to_typed(dump(told))
    assert dump(from_typed(model, told)) == dump(told)
    assert from_typed(model)["valueQuantity"]["value"].as_tuple() == Decimal("1.50").as_tuple()
    assert from_typed(model)["effectiveDateTime"] == "2026-03-01T02:00:00.100000+00:00"


def test_base64_comes_back_as_it_was_written() -> None:
    told = {"resourceType": "Device", "udiCarrier": [{"carrierHRF": "x", "carrierAIDC": "AQIDBA=="}]}
    model: Any = to_typed(told)
    assert from_typed(model) == from_typed(model, told) == told


def test_what_was_changed_in_the_model_is_what_comes_back() -> None:
    told = observation(effectiveDateTime="2026-03-01T02:00:00Z", valueQuantity={"value": Decimal("1.50"), "unit": "mL"})
    model: Any = to_typed(told)
    model.valueQuantity.value = Decimal("2.0")
    model.status = "amended"
    changed = from_typed(model, told)
    assert (changed["status"], str(changed["valueQuantity"]["value"])) == ("amended", "2.0")
    assert changed["effectiveDateTime"] == "2026-03-01T02:00:00Z"


def test_invalid_r4_is_refused_here_although_the_models_would_take_it() -> None:
    with pytest.raises(InvalidError) as wrong:
        to_typed(observation(status="never-heard-of"))
    assert wrong.value.findings
    with pytest.raises(InvalidError):
        to_typed(observation(id="x" * 65))


_ABSENT: dict[str, Any] = {
    "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]
}
_LISTED = (
    {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": {"text": "x"},
        "subject": {"reference": "Patient/1"},
        "_effectiveDateTime": _ABSENT,
    },
    observation(extension=[{"url": "http://a.example/x", "_valueString": _ABSENT}]),
    {
        "resourceType": "Task",
        "status": "requested",
        "intent": "plan",
        "input": [{"type": {"text": "x"}, "_valueString": _ABSENT}],
    },
    observation(extension=[{"url": "http://a.example/x", "valueMeta": {"versionId": "1"}}]),
    observation(_id=_ABSENT, id="a"),
)


@pytest.mark.parametrize(("resource", "why"), list(zip(_LISTED, [why for why, _ in REFUSED], strict=True)))
def test_each_listed_refusal_is_valid_r4_and_really_refused(resource: dict[str, Any], why: str) -> None:
    assert [one for one in check(resource) if one.refuses] == []
    with pytest.raises(NotSupportedError, match="is valid R4 but") as refused:
        to_typed(resource)
    assert why in str(refused.value)
