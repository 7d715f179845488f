"""Our conformance resources say what is so: names of systems, operations that are answered, examples good and refused."""

import pytest

from api.fhir.capability import statement
from api.fhir.table import INTERACTIONS
from fhirmod.exchange import (
    PUBLISHED_TYPES,
    conformance_resources,
    examples,
    published_resources,
    refused,
    service_resources,
)
from fhirmod.mapping import BASE, ENTRY_ID, EPISODE_ID, FACILITY_ID, STAFF_ID, known_profiles
from fhirmod.mapping.profiles import authored
from fhirmod.mapping.urls import profile
from fhirmod.r4 import RESOURCE_TYPES, check, dump, parse, refusals

SHOWN = examples()
REFUSED = {one.profile: (one, resource) for one, resource in refused(SHOWN)}
BY_TYPE: dict[str, list[dict[str, object]]] = {}
for resource in service_resources():
    BY_TYPE.setdefault(resource["resourceType"], []).append(resource)


def test_what_is_packed_for_the_service_is_what_the_tables_say() -> None:
    assert list(published_resources()) == parse(dump(conformance_resources()))
    assert {one["resourceType"] for one in published_resources()} <= PUBLISHED_TYPES


def test_each_identifier_system_of_ours_is_named() -> None:
    named = [one["uniqueId"][0]["value"] for one in service_resources() if one["resourceType"] == "NamingSystem"]
    assert sorted(named) == sorted([ENTRY_ID, EPISODE_ID, FACILITY_ID, STAFF_ID])


def test_the_operations_defined_are_those_of_ours_that_are_answered() -> None:
    answered = {(one.definition, one.code) for one in INTERACTIONS if (one.definition or "").startswith(BASE)}
    assert {(one["url"], one["code"]) for one in BY_TYPE["OperationDefinition"]} == answered


def test_what_is_required_of_a_keeper_is_what_this_service_does() -> None:
    [keeper] = [one for one in service_resources() if one["resourceType"] == "CapabilityStatement"]
    assert keeper["kind"] == "requirements"
    ours = {one["type"]: one for one in statement(BASE)["rest"][0]["resource"]}
    for asked in keeper["rest"][0]["resource"]:
        does = ours[asked["type"]]
        for listed in ("interaction", "searchParam"):
            assert all(one in does[listed] for one in asked[listed])
        assert does["updateCreate"] == asked["updateCreate"]
    supported = [url for one in keeper["rest"][0]["resource"] for url in one["supportedProfile"]]
    assert sorted(supported) == sorted(
        profile(one.name) for one in authored() if one.type in RESOURCE_TYPES - {"Bundle"}
    )


def test_each_profile_has_one_good_example_and_each_family_one_that_is_refused() -> None:
    profiles = {profile(one.name): one.type for one in authored() if one.type != "Extension"}
    assert set(SHOWN) == set(profiles)
    assert {profiles[profile(name)] for name in REFUSED} == set(profiles.values())


@pytest.mark.parametrize("url", SHOWN, ids=lambda url: str(url).rpartition("/")[2])
def test_a_good_example_claims_its_profile_and_passes(url: str) -> None:
    assert url in SHOWN[url]["meta"]["profile"]
    assert refusals(parse(dump(SHOWN[url])), known_profiles()) == []


@pytest.mark.parametrize("name", REFUSED)
def test_a_bad_example_is_refused_for_what_it_says(name: str) -> None:
    one, resource = REFUSED[name]
    found = [finding for finding in check(resource, known=known_profiles()) if finding.refuses]
    assert (one.code, one.place) in [(finding.code, finding.place) for finding in found]


def test_all_examples_are_of_drills() -> None:
    for url, one in SHOWN.items():
        resources = [entry["resource"] for entry in one["entry"]] if one["resourceType"] == "Bundle" else [one]
        for resource in resources:
            if resource["resourceType"] not in ("Patient", "Organization"):
                assert "HTEST" in [label["code"] for label in resource["meta"]["security"]], url
