"""The facts file is what the committed HL7 definitions give, and small enough to carry."""

import gzip

import pytest

from fhirmod.r4 import build, inputs
from fhirmod.r4.facts import concrete_types, facts


def test_the_facts_regenerate_from_the_definitions() -> None:
    assert gzip.decompress(build.FACTS.read_bytes()) == build.rendered()


def test_the_check_says_so_too() -> None:
    assert build.main(["--check"]) == 0


def test_the_facts_say_what_they_are() -> None:
    assert (facts()["format"], facts()["edition"]) == (build.FORMAT, build.EDITION)


def test_definitions_and_facts_stay_small() -> None:
    assert sum(one.stat().st_size for one in inputs.DEFINITIONS.iterdir()) < 1_500_000


def test_every_carried_type_is_known_to_r4() -> None:
    # http://hl7.org/fhir/R4/resourcelist.html: 148 names, Resource and DomainResource among them
    assert len(facts()["known_types"]) == 148
    assert concrete_types() < set(facts()["known_types"])
    assert len(concrete_types()) == 74


def test_two_search_parameters_of_one_code_are_refused() -> None:
    # http://hl7.org/fhir/R4/searchparameter-definitions.html#SearchParameter.code: what is used in the URL
    one = {"url": "http://example.org/a", "code": "subject", "type": "reference", "base": ["Condition", "Basic"]}
    other = {**one, "url": "http://example.org/b", "base": ["Condition"]}
    with pytest.raises(
        ValueError, match=r"^Condition: http://example\.org/a and http://example\.org/b are both subject"
    ):
        build.searches([one, other])
    assert len(build.searches([one, {**other, "base": ["Flag"]}])) == 2
