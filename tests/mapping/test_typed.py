"""Every resource that leaves loads in fhir.resources, except what is listed with its reason."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import KINDS
from fhirmod.stories import Story
from tests.any_entry import any_entry
from tests.stories import plausible

from .test_round_trip import through_fhir
from .typed import REFUSED, loads, refused
from .whole import episode_of, put_together, sent, stored

FEW = settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))


@pytest.mark.parametrize("kind", KINDS)
@FEW
@given(data=st.data())
def test_every_image_loads(kind: str, data: st.DataObject) -> None:
    made, _ = through_fhir(data.draw(any_entry(kind)))
    for one in stored(made):
        assert one.resource is not None
        assert loads(one.resource) == (refused(one.resource) is None)


@FEW
@given(story=plausible())
def test_every_resource_of_a_story_loads(story: Story) -> None:
    episode = episode_of(story)
    for one in stored([*sent(episode), *put_together(episode)]):
        assert one.resource is not None
        assert loads(one.resource) == (refused(one.resource) is None)


def test_what_is_listed_is_refused_still() -> None:
    absent = {"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}
    given = {
        "resourceType": "MedicationAdministration",
        "status": "completed",
        "medicationCodeableConcept": {"text": "oxytocin"},
        "subject": {"reference": "Patient/1"},
        "_effectiveDateTime": {"extension": [absent]},
    }
    assert [why for why, is_it in REFUSED.items() if is_it(given) and not loads(given)] == list(REFUSED)
    assert loads({**given, "effectiveDateTime": "2026-03-01"})
