"""Every Reference of a resource, wherever it stands; a uri that is only named `reference` is none."""

from fhirpathpy import evaluate
from fhirpathpy.models import models

from fhirmod.r4 import references

from .corpus import valid


def test_references_are_found_in_extensions_contained_and_entries() -> None:
    resource = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "resource": {
                    "resourceType": "Observation",
                    "contained": [{"resourceType": "Device", "id": "d", "owner": {"reference": "Organization/o"}}],
                    "_status": {"extension": [{"url": "u", "valueReference": {"reference": "Basic/b"}}]},
                    "subject": {"reference": "Patient/p", "display": "x"},
                    "component": [{"extension": [{"url": "u", "valueReference": {"reference": "#d"}}]}],
                    "device": {"identifier": {"assigner": {"reference": "Organization/a"}}},
                }
            },
            {
                "resource": {
                    "resourceType": "Appointment",
                    "participant": [{"actor": {"reference": "Patient/q"}}],
                }
            },
        ],
    }
    at = "Bundle.entry[0].resource"
    assert dict(references(resource)) == {
        f"{at}.contained[0].owner.reference": "Organization/o",
        f"{at}.status.extension[0].value.reference": "Basic/b",
        f"{at}.subject.reference": "Patient/p",
        f"{at}.component[0].extension[0].value.reference": "#d",
        f"{at}.device.identifier.assigner.reference": "Organization/a",
        "Bundle.entry[1].resource.participant[0].actor.reference": "Patient/q",
    }


def test_a_uri_named_reference_is_no_reference() -> None:
    education = {"documentType": "x", "reference": "http://example.org/leaflet"}
    assert list(references({"resourceType": "Immunization", "education": [education]})) == []


def test_every_place_resolves_to_its_reference() -> None:
    for resource in valid().values():
        for place, text in references(resource):
            assert evaluate(resource, place, {}, models["r4"]) == [text]
