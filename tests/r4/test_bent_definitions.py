"""What partners define may be bent in any way: it is read, or refused in one sentence that says where.

Source: http://hl7.org/fhir/R4/structuredefinition.html, valueset.html (what each element may be).
"""

import copy
from collections.abc import Iterator
from typing import Any

import pytest

from fhirmod.errors import InvalidError
from fhirmod.r4 import Known, check

from .test_profile_cases import FAMILIES

JUNK: tuple[Any, ...] = (
    None,
    5,
    -1,
    True,
    1.5,
    "",
    "x",
    "*",
    "(",
    "Patient..name",
    [],
    {},
    [None],
    [[]],
    ["x"],
    {"a": 1},
)
HEAD = {"resourceType": "StructureDefinition", "status": "active", "kind": "resource", "abstract": False}
HERE = "http://partner.example.org/StructureDefinition/"
RICH = ("slicing-nested", "extensions", "types-targets", "bindings-more", "invariants")


def below(node: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Return the way to everything below a value."""
    for key, value in node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ():
        yield (*way, key)
        yield from below(value, (*way, key))


def bent(whole: Any, way: tuple[Any, ...], junk: Any) -> Any:
    """Return a copy with junk at one place; `...` leaves the place out."""
    made = copy.deepcopy(whole)
    holder = made
    for key in way[:-1]:
        holder = holder[key]
    if junk is ...:
        del holder[way[-1]]
    else:
        holder[way[-1]] = copy.deepcopy(junk)
    return made


def judged(profiles: list[Any], value_sets: list[Any], cases: list[Any], systems: list[Any] | tuple[()] = ()) -> None:
    try:
        known = Known(profiles, value_sets, systems)
        for case in cases:
            check(case["instance"], known=known)
    except InvalidError as refused:
        (finding,) = refused.findings
        assert "wanted" in finding.sentence
        assert "\n" not in finding.sentence


@pytest.mark.parametrize("name", RICH)
def test_a_definition_bent_anywhere_is_read_or_refused_in_a_sentence(name: str) -> None:
    family = FAMILIES[name]
    for number, definition in enumerate(family["profiles"][:4]):
        cases = [case for case in family["cases"] if definition["url"] in str(case)][:2]
        for place, way in enumerate(below(definition)):
            for junk in (..., JUNK[place % len(JUNK)], JUNK[(place * 7 + 3) % len(JUNK)]):
                profiles = [*family["profiles"]]
                profiles[number] = bent(definition, way, junk)
                judged(profiles, family["valueSets"], cases)


def test_a_value_set_bent_anywhere_is_read_or_refused_in_a_sentence() -> None:
    family = FAMILIES["bindings-more"]
    for number, value_set in enumerate(family["valueSets"]):
        for place, way in enumerate(below(value_set)):
            for junk in (..., JUNK[place % len(JUNK)], JUNK[(place * 7 + 3) % len(JUNK)]):
                value_sets = [*family["valueSets"]]
                value_sets[number] = bent(value_set, way, junk)
                judged(family["profiles"], value_sets, family["cases"][::12])


def test_a_code_system_bent_anywhere_is_read_or_refused_in_a_sentence() -> None:
    family = FAMILIES["bindings-more"]
    cases = [case for case in family["cases"] if "own" in str(case["instance"]["meta"])]
    for number, system in enumerate(family["codeSystems"]):
        for place, way in enumerate(below(system)):
            for junk in (..., JUNK[place % len(JUNK)], JUNK[(place * 7 + 3) % len(JUNK)]):
                systems = [*family["codeSystems"]]
                systems[number] = bent(system, way, junk)
                judged(family["profiles"], family["valueSets"], cases, systems)


def of(*elements: Any, **more: Any) -> dict[str, Any]:
    base = "http://hl7.org/fhir/StructureDefinition/Patient"
    made = {"url": f"{HERE}one", "name": "One", "type": "Patient", "baseDefinition": base, "derivation": "constraint"}
    return HEAD | made | {"differential": {"element": [{"id": "Patient", "path": "Patient"}, *elements]}} | more


@pytest.mark.parametrize(
    ("element", "said"),
    [
        ({"id": "Patient.name", "path": "Patient.name", "min": "one"}, r"element\[1\]\.min"),
        ({"id": "Patient.name", "path": "Patient.name", "max": "many"}, "cannot be read"),
        ({"id": "Patient.name", "path": "Patient.name", "type": "HumanName"}, r"element\[1\]\.type"),
        ({"id": "Patient.name"}, r"element\[1\]: The element path is missing"),
        (5, r"element\[1\]"),
    ],
)
def test_what_is_wrong_with_a_definition_is_said_where_it_stands(element: Any, said: str) -> None:
    with pytest.raises(InvalidError, match=said):
        Known([of(element)]).profile(f"{HERE}one")


def test_a_definition_made_from_itself_is_refused() -> None:
    circle = [of(baseDefinition=f"{HERE}two"), of(url=f"{HERE}two", baseDefinition=f"{HERE}one")]
    for url in (f"{HERE}one", f"{HERE}two"):
        with pytest.raises(InvalidError, match="made from itself"):
            Known(circle).profile(url)


def test_a_definition_of_another_type_than_its_base_is_refused() -> None:
    other = of(type="Observation") | {"differential": {"element": [{"id": "Observation", "path": "Observation"}]}}
    with pytest.raises(InvalidError, match="of Observation, its base of Patient"):
        Known([other]).profile(f"{HERE}one")


def test_a_definition_of_a_type_r4_does_not_have_is_refused() -> None:
    snapshot = {"element": [{"id": "Ward", "path": "Ward"}]}
    with pytest.raises(InvalidError, match="cannot be read"):
        Known([of(type="Ward", snapshot=snapshot)]).profile(f"{HERE}one")


def test_a_definition_without_differential_and_snapshot_is_refused() -> None:
    bare = {key: value for key, value in of().items() if key != "differential"}
    with pytest.raises(InvalidError, match="cannot be read"):
        Known([bare]).profile(f"{HERE}one")


@pytest.mark.parametrize("one", [{"name": "x"}, 5, None, {"url": ["x"]}])
def test_a_definition_without_a_url_is_refused(one: Any) -> None:
    with pytest.raises(InvalidError, match="has no url"):
        Known([one])


def test_a_value_set_that_draws_on_itself_holds_what_it_lists() -> None:
    url = "http://partner.example.org/ValueSet/circle"
    include = [{"valueSet": [url]}, {"system": "http://partner.example.org/CodeSystem/a", "concept": [{"code": "a"}]}]
    circle = {"resourceType": "ValueSet", "url": url, "status": "active", "compose": {"include": include}}
    binding = {"strength": "required", "valueSet": url}
    element = {"id": "Patient.maritalStatus", "path": "Patient.maritalStatus", "binding": binding}
    known = Known([of(element)], [circle])
    for code, refused in (("a", False), ("b", True)):
        status = {"coding": [{"system": "http://partner.example.org/CodeSystem/a", "code": code}]}
        found = check(
            {"resourceType": "Patient", "meta": {"profile": [f"{HERE}one"]}, "maritalStatus": status}, known=known
        )
        assert ("code-not-in-value-set" in {one.code for one in found if one.refuses}) is refused
