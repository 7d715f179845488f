"""The generated CodeSystem, ValueSets and ConceptMaps, read by an independent FHIR library."""

import re
from typing import Any

import pytest
from fhir.resources.R4B.codesystem import CodeSystem
from fhir.resources.R4B.conceptmap import ConceptMap
from fhir.resources.R4B.valueset import ValueSet

import terminology
from terminology import OWN_SYSTEM, code_system, concept, concept_maps, keys, value_sets

READERS: dict[str, Any] = {"CodeSystem": CodeSystem, "ValueSet": ValueSet, "ConceptMap": ConceptMap}
EVERY: list[dict[str, Any]] = [code_system(), *value_sets(), *concept_maps()]


@pytest.mark.parametrize("resource", EVERY, ids=[each["url"] for each in EVERY])
def test_a_resource_is_well_formed(resource: dict[str, Any]) -> None:
    read = READERS[resource["resourceType"]].model_validate(resource)
    assert read.url == resource["url"]
    # R4 id and the name invariant: http://hl7.org/fhir/R4/datatypes.html#id, http://hl7.org/fhir/R4/codesystem.html (csd-0)
    assert re.fullmatch(r"[A-Za-z0-9\-.]{1,64}", resource["id"])
    assert re.fullmatch(r"[A-Z]([A-Za-z0-9_]){0,254}", resource["name"])
    assert resource["url"].endswith(f"/{resource['resourceType']}/{resource['id']}")
    assert resource["status"] == "draft"
    assert "copyright" not in resource or resource["copyright"]


def test_no_two_resources_have_one_address() -> None:
    assert len({each["url"] for each in EVERY}) == len(EVERY)


def test_the_code_system_holds_every_own_code_once() -> None:
    system = code_system()
    listed = [each["code"] for each in system["concept"]]
    assert set(listed) == {concept(key).code for key in keys()}
    assert len(listed) == len(set(listed)) == system["count"]


@pytest.mark.parametrize("question", [key for key in keys() if "." in key and terminology.words(key)])
def test_what_an_answer_writes_with_its_own_meaning_is_in_the_value_set_of_its_question(
    question: str,
) -> None:
    found = next(each for each in value_sets() if each["url"] == terminology.value_set_url(question))
    holds = {
        (include["system"], each["code"]) for include in found["compose"]["include"] for each in include["concept"]
    }
    for word in terminology.words(question):
        codings = [each for each in concept(word).codings if each.relation in ("own", "same")]
        assert {(each.system, each.code) for each in codings} <= holds


def test_a_concept_map_says_how_the_meanings_stand() -> None:
    # http://hl7.org/fhir/R4/valueset-concept-map-equivalence.html and invariant cmd-1 (narrower needs a comment).
    allowed = {"relatedto", "equivalent", "equal", "wider", "subsumes", "narrower", "specializes", "inexact"}
    for each in concept_maps():
        for group in each["group"]:
            assert group["source"] == OWN_SYSTEM
            for target in (target for element in group["element"] for target in element["target"]):
                assert target["equivalence"] in allowed
                assert target["equivalence"] == "equivalent" or target["comment"]


def test_every_coding_that_is_not_ours_is_in_a_concept_map() -> None:
    mapped = {
        (element["code"], group["target"], target["code"])
        for each in concept_maps()
        for group in each["group"]
        for element in group["element"]
        for target in element["target"]
    }
    ours = {
        (concept(key).code, coding.system, coding.code)
        for key in keys()
        for coding in concept(key).codings
        if coding.relation != "own"
    }
    assert mapped == ours
