"""Which resources belong to whom, by http://hl7.org/fhir/R4/compartmentdefinition-patient.html and its kin."""

import pytest

from fhirmod.r4 import (
    RESOURCE_TYPES,
    compartment_members,
    compartment_parameters,
    compartments,
    search_parameter,
)


def test_the_compartments_of_r4_that_are_carried() -> None:
    assert compartments() == {"Patient", "Encounter", "Device", "Practitioner"}


def test_every_compartment_parameter_is_a_search_parameter() -> None:
    for compartment in compartments():
        for kind in RESOURCE_TYPES:
            for code in compartment_parameters(compartment, kind):
                assert code.startswith("{") or search_parameter(kind, code), (kind, code)


def test_a_resource_belongs_to_each_it_refers_to() -> None:
    observation = {
        "resourceType": "Observation",
        "subject": {"reference": "Patient/p"},
        "performer": [{"reference": "Patient/q"}, {"reference": "Practitioner/a"}],
        "encounter": {"reference": "Encounter/e"},
        "device": {"reference": "Device/d"},
    }
    assert compartment_members(observation, "Patient") == ["Patient/p", "Patient/q"]
    assert compartment_members(observation, "Practitioner") == ["Practitioner/a"]
    assert compartment_members(observation, "Encounter") == ["Encounter/e"]
    assert compartment_members(observation, "Device") == ["Device/d"]


def test_a_patient_belongs_to_itself() -> None:
    assert compartment_members({"resourceType": "Patient", "id": "p"}, "Patient") == ["Patient/p"]


def test_no_compartment_of_that_name() -> None:
    with pytest.raises(KeyError):
        compartment_parameters("Bundle", "Patient")
