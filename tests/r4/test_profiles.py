"""Profiles beyond R4's own: an invented one with every kind of slicing we evaluate, and what we do not.

Source: http://hl7.org/fhir/R4/profiling.html#slicing, elementdefinition.html.
"""

from typing import Any

import pytest

from fhirmod.r4 import R4, Profile, check, check_profile, compile_profile
from fhirmod.r4.facts import facts

URL = "http://example.org/StructureDefinition/invented"
EXTENSION = "http://example.org/StructureDefinition/part"


def element(identity: str, **more: Any) -> dict[str, Any]:
    return {"id": identity, "path": identity.partition(":")[0], **more}


def invented(*elements: dict[str, Any]) -> Profile:
    root = element("Procedure", min=0, max="*")
    return compile_profile({"url": URL, "type": "Procedure", "snapshot": {"element": [root, *elements]}})


def procedure(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Procedure", "status": "completed", "subject": {"reference": "Patient/p"}, **more}


def found(resource: dict[str, Any], *elements: dict[str, Any]) -> set[tuple[str, str]]:
    return {(one.code, one.place) for one in check_profile(resource, invented(*elements))}


def test_cardinality() -> None:
    assert found(procedure(), element("Procedure.code", min=1, max="1")) == {("profile-missing", "Procedure")}
    assert found(procedure(note=[{"text": "x"}] * 2), element("Procedure.note", min=0, max="1")) == {
        ("profile-too-many", "Procedure")
    }
    assert found(procedure(_statusReason={"x": 1}), element("Procedure.statusReason", min=1, max="1")) == set()


def test_fixed_is_exact_and_pattern_is_at_least() -> None:
    coding = {"coding": [{"system": "http://example.org/cs", "code": "a"}]}
    more = {
        "coding": [{"system": "http://example.org/cs", "code": "a", "display": "A"}, {"code": "b"}],
        "text": "x",
    }
    fixed = element("Procedure.code", min=0, max="1", fixedCodeableConcept=coding)
    pattern = element("Procedure.code", min=0, max="1", patternCodeableConcept=coding)
    assert found(procedure(code=coding), fixed) == found(procedure(code=more), pattern) == set()
    assert found(procedure(code=more), fixed) == {("profile-value", "Procedure.code")}
    assert found(procedure(code={"text": "x"}), pattern) == {("profile-value", "Procedure.code")}


def test_types_and_targets() -> None:
    when = element("Procedure.performed[x]", min=1, max="1", type=[{"code": "dateTime"}])
    assert found(procedure(performedDateTime="2026"), when) == set()
    assert found(procedure(performedString="x"), when) == {("profile-type", "Procedure.performed")}
    target = {"code": "Reference", "targetProfile": ["http://hl7.org/fhir/StructureDefinition/Group"]}
    subject = element("Procedure.subject", min=1, max="1", type=[target])
    assert found(procedure(), subject) == {("profile-target", "Procedure.subject")}


def test_slices_by_value_open_and_closed() -> None:
    def slicing(rules: str) -> dict[str, Any]:
        return {"discriminator": [{"type": "value", "path": "system"}], "rules": rules}

    def elements(rules: str) -> list[dict[str, Any]]:
        return [
            element("Procedure.identifier", min=1, max="*", slicing=slicing(rules)),
            element("Procedure.identifier:ours", sliceName="ours", min=1, max="1"),
            element("Procedure.identifier:ours.system", min=1, max="1", fixedUri="http://example.org/ours"),
            element("Procedure.identifier:ours.value", min=1, max="1"),
        ]

    ours, other = {"system": "http://example.org/ours", "value": "1"}, {"system": "http://example.org/other"}
    assert found(procedure(identifier=[other, ours]), *elements("open")) == set()
    assert found(procedure(identifier=[other]), *elements("open")) == {("profile-slice", "Procedure")}
    assert found(procedure(identifier=[ours, ours]), *elements("open")) == {("profile-slice", "Procedure")}
    assert found(procedure(identifier=[ours, other]), *elements("closed")) == {
        ("profile-closed", "Procedure.identifier[1]")
    }
    assert found(procedure(identifier=[{"system": "http://example.org/ours"}]), *elements("open")) == {
        ("profile-missing", "Procedure.identifier[0]")
    }


def test_slices_of_extensions_by_their_profile() -> None:
    elements = [
        element(
            "Procedure.extension",
            min=0,
            max="*",
            slicing={"discriminator": [{"type": "value", "path": "url"}], "rules": "open"},
        ),
        element(
            "Procedure.extension:part",
            sliceName="part",
            min=1,
            max="1",
            type=[{"code": "Extension", "profile": [EXTENSION]}],
        ),
    ]
    assert found(procedure(extension=[{"url": EXTENSION, "valueString": "x"}]), *elements) == set()
    assert found(procedure(extension=[{"url": "http://example.org/x", "valueString": "x"}]), *elements) == {
        ("profile-slice", "Procedure")
    }


def test_slices_by_existence_and_by_pattern() -> None:
    by_existence = [
        element(
            "Procedure.note",
            min=0,
            max="*",
            slicing={"discriminator": [{"type": "exists", "path": "time"}], "rules": "open"},
        ),
        element("Procedure.note:timed", sliceName="timed", min=1, max="*"),
        element("Procedure.note:timed.time", min=1, max="1"),
    ]
    assert found(procedure(note=[{"text": "x", "time": "2026"}]), *by_existence) == set()
    assert found(procedure(note=[{"text": "x"}]), *by_existence) == {("profile-slice", "Procedure")}
    by_pattern = [
        element(
            "Procedure.complication",
            min=0,
            max="*",
            slicing={"discriminator": [{"type": "pattern", "path": "$this"}], "rules": "open"},
        ),
        element(
            "Procedure.complication:a",
            sliceName="a",
            min=1,
            max="1",
            patternCodeableConcept={"coding": [{"code": "a"}]},
        ),
    ]
    assert found(procedure(complication=[{"coding": [{"code": "a"}], "text": "x"}]), *by_pattern) == set()
    assert found(procedure(complication=[{"text": "x"}]), *by_pattern) == {("profile-slice", "Procedure")}


def test_bindings_by_strength() -> None:
    bound = {"valueSet": "http://hl7.org/fhir/ValueSet/administrative-gender"}
    required = element("Procedure.category", min=0, max="1", binding={"strength": "required", **bound})
    extensible = element("Procedure.category", min=0, max="1", binding={"strength": "extensible", **bound})
    other = procedure(category={"coding": [{"system": "http://example.org/cs", "code": "x"}]})
    assert [one.severity for one in check_profile(other, invented(required))] == ["error"]
    assert [one.severity for one in check_profile(other, invented(extensible))] == ["warning"]


def test_a_rule_of_a_partner_is_evaluated_as_fhirpath_or_by_the_function_it_is_given() -> None:
    rule = {"key": "own-1", "severity": "error", "expression": "coding.exists()", "human": "x"}
    own = invented(element("Procedure.code", min=0, max="1", constraint=[rule]))
    (said,) = check_profile(procedure(code={"text": "x"}), own)
    assert (said.severity, said.code, said.place) == ("error", "own-1", "Procedure.code")
    assert check_profile(procedure(code={"coding": [{"code": "x"}]}), own) == []
    given = {"coding.exists()": lambda node, _scope: "text" in node}
    assert check_profile(procedure(code={"text": "x"}), own, rules=given) == []


def test_what_is_not_evaluated_is_said() -> None:
    rule = {"key": "own-1", "severity": "error", "expression": "memberOf('http://example.org/vs')", "human": "x"}
    own = invented(element("Procedure.code", min=0, max="1", constraint=[rule]))
    (said,) = check_profile(procedure(code={"text": "x"}), own)
    assert (said.severity, said.code) == ("information", "rule-not-evaluated")
    sliced = element(
        "Procedure.partOf",
        min=0,
        max="*",
        slicing={"discriminator": [{"type": "value", "path": "where(a = 1)"}], "rules": "open"},
    )
    part = element("Procedure.partOf:a", sliceName="a", min=0, max="1")
    assert found(procedure(), sliced, part) == {("slicing-not-evaluated", "Procedure")}


def test_a_profile_can_be_demanded_of_any_resource() -> None:
    own = invented(element("Procedure.code", min=1, max="1"))
    assert "profile-missing" in {one.code for one in check(procedure(), profiles=[own])}


def test_r4s_own_profiles_all_compile() -> None:
    assert len(facts()["profiles"]) == 11  # http://hl7.org/fhir/R4/observation-vitalsigns.html
    for url in facts()["profiles"]:
        assert R4.profile(url) is not None
    assert R4.profile(URL) is None


def test_a_definition_without_a_snapshot_is_no_profile() -> None:
    with pytest.raises(KeyError):
        compile_profile({"url": URL, "type": "Procedure"})
