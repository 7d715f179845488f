"""What a request has not stored yet is found as if it were stored: both are asked the same, and the store is the measure."""

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest

from fhirmod.intake import Asking, Intake, criterion
from fhirmod.intake.pending import Pending
from fhirmod.r4 import dump
from fhirmod.store import Criterion, Sought
from tests.api.date_table import ROWS, targets

from .case import ALL, request

NOW = datetime(2026, 3, 2, tzinfo=UTC)
ASKING = Asking("http://here/fhir", NOW)
PEOPLE: dict[str, dict[str, Any]] = {
    "e": {
        "name": [{"given": ["Eve"], "family": "Muñoz"}],
        "gender": "female",
        "birthDate": "1990-02-03",
        "identifier": [
            {
                "type": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR"}]},
                "system": "urn:oid:2.999.1",
                "value": "W|17",
            }
        ],
        "telecom": [{"system": "phone", "value": "5"}],
        "managingOrganization": {"reference": "Organization/o"},
    },
    "s": {"name": [{"given": ["Steven"]}], "deceasedBoolean": True, "identifier": [{"value": "W-18"}]},
    "n": {"managingOrganization": {"identifier": {"system": "urn:oid:2.999.1", "value": "H"}}, "birthDate": "1991"},
}
OF_PEOPLE = [
    *(("_id", "e"), ("_id", "e,s"), ("_lastUpdated", "ge2026"), ("_lastUpdated", "lt2026")),
    *(("identifier", r"W\|17"), ("identifier", r"urn:oid:2.999.1|W\|17"), ("identifier", "urn:oid:2.999.1|")),
    *(
        ("identifier", "|W-18"),
        ("identifier", "urn:x|W-18"),
        ("identifier:missing", "true"),
        ("identifier:not", "W-18"),
    ),
    *(
        ("identifier:of-type", r"http://terminology.hl7.org/CodeSystem/v2-0203|MR|W\|17"),
        ("identifier:of-type", "|MR|x"),
    ),
    *(("given", "ev"), ("given:exact", "Eve"), ("given:exact", "eve"), ("given:contains", "VE"), ("name", "munoz")),
    *(("family:missing", "true"), ("family:missing", "false"), ("gender", "female"), ("gender:not", "female")),
    *(
        ("deceased", "true"),
        ("deceased", "false"),
        ("birthdate", "1990"),
        ("birthdate", "ge1990-02-04"),
        ("phone", "5,6"),
    ),
    *(("organization", "o"), ("organization", "Organization/o"), ("organization", "http://here/fhir/Organization/o")),
    *(("organization:Organization", "o"), ("organization:identifier", "|H"), ("organization:missing", "true")),
]
MEASURED: dict[str, dict[str, Any]] = {
    name: {
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "effectiveDateTime": at,
        "valueQuantity": {"value": value, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"},
        "subject": {"reference": "Patient/e"},
        "component": [{"code": {"text": "c", "coding": [{"code": "inner"}]}, "valueString": "v"}],
    }
    for name, code, at, value in (("a", "1", "2026-03-01", 50), ("b", "2", "2026-03", 60), ("c", "1", "2026-04-01", 70))
}
OF_MEASURED = [
    *(
        ("code", "1"),
        ("code", "http://loinc.org|1"),
        ("combo-code", "inner"),
        ("component-code", "x"),
        ("date", "2026-03"),
    ),
    *(("value-quantity", "gt55"), ("value-quantity", "60||mL"), ("value-quantity", "60||g"), ("patient", "e")),
    *(
        ("code-value-quantity", "1$gt60"),
        ("code-value-quantity", "1$60"),
        ("subject", "Patient/e"),
        ("status", "final"),
    ),
]


def both(intake: Intake, type_: str, resources: dict[str, dict[str, Any]], asked: Sequence[tuple[str, str]]) -> None:
    """Ask both for each of these alone, and for each with its neighbour."""
    pending = Pending(request().now)
    for id_, content in resources.items():
        body = {"resourceType": type_, "id": id_, **content}
        intake.update(request(), type_, id_, dump(body))
        pending.put(type_, id_, body)
    criteria = [criterion(type_, name, value, ASKING) for name, value in asked]
    some: list[list[Criterion]] = [[one] for one in criteria] + [list(two) for two in pairwise(criteria)]
    found = set()
    for each in some:
        page = intake.store.read(lambda reader, each=each: reader.search(ALL, type_, each, count=500))  # type: ignore[misc]
        stored = sorted(one.id for one in page.versions)
        mine = [one for one in each if isinstance(one, Sought)]
        assert sorted(pending.meeting(type_, mine)) == stored, each
        found.add(tuple(stored))
    assert len(found) > 3


def test_a_person_is_found_before_and_after_she_is_stored(intake: Intake) -> None:
    both(intake, "Patient", PEOPLE, OF_PEOPLE)


def test_a_measurement_is_found_before_and_after_it_is_stored(intake: Intake) -> None:
    both(intake, "Observation", MEASURED, OF_MEASURED)


@pytest.mark.parametrize("backend", ["sqlite"], indirect=True)
def test_a_date_is_found_before_and_after_it_is_stored(intake: Intake) -> None:
    dated = {id_: {"status": "final", "code": {"text": "x"}, **said} for id_, (said, _) in targets().items()}
    both(intake, "Observation", dated, [("date", row) for row in ROWS])


def test_what_will_be_gone_is_not_found_and_what_is_changed_only_as_it_will_be() -> None:
    pending = Pending(NOW)
    pending.put("Patient", "a", None)
    pending.put("Patient", "b", {"resourceType": "Patient", "gender": "male"})
    asked = [criterion("Patient", "gender:not", "female", ASKING)]
    assert pending.meeting("Patient", [one for one in asked if isinstance(one, Sought)]) == ["b"]
    assert ("Patient", "a") in pending
    assert ("Patient", "c") not in pending
