"""The corpus of profiles: what each case says must come out does, and the fast way never says yes to an error.

Source: written from the clauses of http://hl7.org/fhir/R4 that each family and label names. Codes of findings are
ours; what is missing is placed at what should hold it. dom-6 (a narrative is best practice) is left aside.
"""

import json
from pathlib import Path
from typing import Any

import pytest

from fhirmod.errors import InvalidError
from fhirmod.r4 import Known, accepts, check, parse, said_at_once

FAMILIES = {path.stem: parse(path.read_bytes()) for path in sorted((Path(__file__).parent / "profiles").glob("*.json"))}
CASES = {f"{name}: {case['label']}": (name, case) for name, family in FAMILIES.items() for case in family["cases"]}
KNOWN = {
    name: Known(family["profiles"], family["valueSets"], family.get("codeSystems", ()))
    for name, family in FAMILIES.items()
}


def judged(name: str, case: dict[str, Any]) -> set[tuple[str, str, str]]:
    known = KNOWN[name]
    asked = [one for url in case.get("asks", ()) if (one := known.profile(url)) is not None]
    found = check(case["instance"], profiles=asked, known=known)
    return {(one.severity, one.code, one.place) for one in found if one.code != "dom-6"}


@pytest.mark.parametrize("label", CASES, ids=str)
def test_a_case_gives_the_findings_its_clause_asks_and_no_other(label: str) -> None:
    name, case = CASES[label]
    assert judged(name, case) == {tuple(one) for one in case["finds"]}


@pytest.mark.parametrize("label", CASES, ids=str)
def test_what_the_fast_way_accepts_has_no_error(label: str) -> None:
    name, case = CASES[label]
    if accepts(case["instance"], KNOWN[name]):
        assert not any(one.refuses for one in check(case["instance"], known=KNOWN[name]))


@pytest.mark.parametrize("label", CASES, ids=str)
def test_what_is_said_at_once_is_what_the_walker_says(label: str) -> None:
    name, case = CASES[label]
    assert said_at_once(case["instance"], KNOWN[name]) in (None, check(case["instance"], known=KNOWN[name]))


def test_the_fast_way_says_yes_to_some_cases_so_that_the_law_is_not_empty() -> None:
    said = [accepts(case["instance"], KNOWN[name]) for name, case in CASES.values()]
    assert 40 < sum(said) < len(CASES)


def test_every_case_stands_once_and_every_profile_is_used() -> None:
    labels = [case["label"] for family in FAMILIES.values() for case in family["cases"]]
    assert len(labels) == len(set(labels)) >= 70
    for name, family in FAMILIES.items():
        used = json.dumps([family["cases"], family["profiles"]], default=str)
        for one in family["profiles"]:
            assert used.count(f"{one['url']}") > 1, (name, one["url"])


def differential(path: str, **more: Any) -> Known:
    url = "http://partner.example.org/StructureDefinition/mistaken"
    base = "http://hl7.org/fhir/StructureDefinition/Patient"
    element = {"id": path, "path": path, "min": 1}
    return Known(
        [{"url": url, "type": "Patient", "baseDefinition": base, "differential": {"element": [element]}} | more]
    )


@pytest.mark.parametrize(
    "path", ["Patient.colour", "Patient.name.colour", "Patient.valueQuantity", "Observation.status"]
)
def test_a_differential_that_names_an_unknown_element_is_refused_with_a_sentence(path: str) -> None:
    known = differential(path)
    with pytest.raises(InvalidError, match=path) as refused:
        known.profile(next(iter(known)))
    assert "wanted" in str(refused.value)


def test_a_differential_on_an_unknown_base_is_refused_with_a_sentence() -> None:
    known = differential("Patient.name", baseDefinition="http://partner.example.org/StructureDefinition/none")
    with pytest.raises(InvalidError, match="is not known here; wanted"):
        known.profile(next(iter(known)))
