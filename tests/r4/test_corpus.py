"""The labelled corpus: what R4 allows passes without a word, what it forbids is found where it stands.

Source: every label follows a clause of http://hl7.org/fhir/R4 (json.html, datatypes.html, narrative.html,
references.html, bundle.html, documents.html, http.html#trules) or an invariant of a type's definition.
"""

from typing import Any

import pytest
from fhirpathpy import evaluate
from fhirpathpy.models import models

from fhirmod.errors import Finding
from fhirmod.r4 import RESOURCE_TYPES, check, dump, parse
from fhirmod.r4.facts import facts

from .corpus import changed, invalid, valid

VALID = valid()
INVALID = {case["label"]: case for case in invalid()}

# Rules that nothing can break, with the reason.
UNBREAKABLE = {
    "eld-11": "as R4 writes it, select(...).exists() holds whenever there is a type",
}


def of(label: str) -> dict[str, Any]:
    case = INVALID[label]
    return changed(valid()[case["base"]], case)


def judged(resource: Any) -> list[Finding]:
    return [finding for finding in check(resource) if finding.severity != "information"]


@pytest.mark.parametrize("label", VALID)
def test_what_r4_allows_has_no_error_and_no_warning(label: str) -> None:
    assert judged(valid()[label]) == []


@pytest.mark.parametrize("label", INVALID)
def test_what_r4_forbids_is_found_where_it_stands_and_nothing_else(label: str) -> None:
    found = {(one.severity, one.code, one.place) for one in judged(of(label))}
    assert found == {tuple(one) for one in INVALID[label]["finds"]}


@pytest.mark.parametrize("label", INVALID)
def test_every_finding_is_one_sentence_at_a_place_that_resolves(label: str) -> None:
    resource = of(label)
    for finding in check(resource):
        assert "\n" not in finding.sentence
        assert "wanted" in finding.sentence or "must have" in finding.sentence
        if isinstance(resource.get("resourceType"), str) and not finding.place.startswith("Resource"):
            assert evaluate(parse(dump(resource)), finding.place, {}, models["r4"]) != [], finding.place


def test_the_corpus_has_a_valid_instance_of_every_type() -> None:
    assert {one["resourceType"] for one in VALID.values()} == RESOURCE_TYPES


def test_the_corpus_is_large_enough() -> None:
    assert len(VALID) + len(INVALID) >= 250


def test_every_invariant_of_every_type_fails_somewhere() -> None:
    keys = set()
    for one in facts()["shapes"].values():
        keys |= {rule[0] for rule in one["invariants"]}
        keys |= {rule[0] for element in one["elements"] for rule in element.get("invariants", ())}
    keys |= {rule[0] for rules in facts()["datatype_profiles"].values() for rule in rules}
    elements = [e for one in facts()["profiles"].values() for e in one["snapshot"]["element"]]
    keys |= {rule["key"] for e in elements for rule in e.get("constraint", ())}
    broken = {found[1] for case in INVALID.values() for found in case["finds"]}
    unused = {"mqty-1"}  # MoneyQuantity, which no element of R4 uses
    assert keys - broken - unused - set(UNBREAKABLE) == {"dom-6"}


def test_a_resource_without_narrative_is_told_so_as_information_only() -> None:
    (finding,) = check(VALID["minimal Patient"])
    assert (finding.severity, finding.code, finding.place) == ("information", "dom-6", "Patient")


def test_a_caller_who_expects_another_type_is_told() -> None:
    (finding, *_) = check(VALID["minimal Patient"], type="Observation")
    assert (finding.code, finding.place) == ("wrong-type", "Patient")


@pytest.mark.parametrize("thing", [None, 5, "x", [], {}, True])
def test_what_is_no_resource_is_an_error_and_no_exception(thing: Any) -> None:
    assert [one.severity for one in check(thing)] == ["error"]
