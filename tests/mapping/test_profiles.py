"""Everything we send declares a profile of ours, passes it, and takes the fast way in.

Source: http://hl7.org/fhir/R4/profiling.html; the engine judges, and fhir.resources reads the definitions.
"""

from typing import Any

import pytest
from fhir.resources.R4B.structuredefinition import StructureDefinition
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import KINDS
from fhirmod.mapping import Context, known_profiles
from fhirmod.mapping.profiles import authored, definitions, profile_value_sets
from fhirmod.mapping.urls import BASE
from fhirmod.r4 import accepts, check, dump, parse, refusals
from fhirmod.stories import story
from tests.any_entry import any_entry

from .test_round_trip import through_fhir
from .whole import episode_of, put_together, sent

DEFINITIONS = {one["id"]: one for one in definitions()}
SLOW = {
    "Device": "a mark from the identifier stands on primitives, whose place the fast way does not tell",
    "MedicationAdministration": "a rate may be absent inside its quantity",
}


def claimed(resource: dict[str, Any]) -> list[str]:
    return [url for url in resource["meta"]["profile"] if url.startswith(BASE)]


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
@given(data=st.data())
def test_an_image_of_every_kind_declares_its_profile_and_passes_it(kind: str, data: st.DataObject) -> None:
    entry = data.draw(any_entry(kind))
    drill = entry.kind == "opening" and getattr(entry, "drill", False)
    made, _ = through_fhir(entry, Context("Patient/1", "Procedure/anchor", "Encounter/e", drill))
    for image in made:
        resource = parse(dump(image.body))
        [own] = claimed(resource)
        assert own.rpartition("/")[2] in DEFINITIONS
        assert refusals(resource, known_profiles()) == []
        if image.type not in SLOW:
            assert accepts(resource, known_profiles()), resource


@pytest.mark.parametrize("seed", range(6))
def test_a_whole_case_passes_every_profile_of_ours(seed: int) -> None:
    episode = episode_of(story(seed, dirt="much"))
    resources = [parse(dump(image.body)) for image in (*sent(episode), *put_together(episode))]
    entries = [
        {"fullUrl": f"https://a.example/fhir/{one['resourceType']}/{one['id']}", "resource": one} for one in resources
    ]
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": entries}
    assert [one for one in check(bundle, known=known_profiles()) if one.refuses] == []
    assert all(len(claimed(one)) == 1 for one in resources)


@pytest.mark.parametrize("name", DEFINITIONS)
def test_a_definition_is_valid_r4_and_loads_elsewhere(name: str) -> None:
    definition = parse(dump(DEFINITIONS[name]))
    assert [one for one in check(definition) if one.severity != "information"] == []
    StructureDefinition.model_validate(definition)
    order = [one["id"] for one in definition["snapshot"]["element"]]
    changed = [one["id"] for one in definition["differential"]["element"]]
    assert changed == sorted(changed, key=order.index)


def test_the_value_sets_of_codes_are_valid_and_named_by_a_profile() -> None:
    named = {
        element["binding"]["valueSet"]
        for one in DEFINITIONS.values()
        for element in one["differential"]["element"]
        if "binding" in element
    }
    for value_set in profile_value_sets():
        assert [one for one in check(value_set) if one.severity != "information"] == []
        assert value_set["url"] in named


def test_extensions_stand_only_where_r4_has_no_element() -> None:
    extensions = [one.name for one in authored() if one.type == "Extension"]
    assert extensions == [
        "entry", "detail", "site-protocol", "retracts", "performer-role", "why-absent", "from-udi",
    ]  # fmt: skip
    assert all(one.contexts for one in authored() if one.type == "Extension")
