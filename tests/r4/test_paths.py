# mypy: disable-error-code="no-untyped-call"
"""Compiled paths against fhirpathpy on the same R4 search expressions, and what lies outside them."""

import copy
import json
import re
from collections.abc import Iterable
from functools import cache
from typing import Any

import pytest
from fhirpathpy import compile as compiled
from fhirpathpy.models import models

from fhirmod.r4 import OutsideError, SearchParameter, compile_path, search_parameters, type_in
from fhirmod.r4.search import outside

from .corpus import valid


@cache
def _oracle(expression: str) -> Any:
    # `as` on a collection raises there; R4 means ofType (http://hl7.org/fhir/R4/search.html)
    expression = re.sub(r"\bResource\.", "", expression)
    expression = re.sub(r"\(([\w.]+) as (\w+)\)", r"\1.ofType(\2)", expression)
    return compiled(re.sub(r"\.as\((\w+)\)", r".ofType(\1)", expression), models["r4"])


def paths_of(resource: dict[str, Any]) -> list[SearchParameter]:
    """Return the parameters of a resource that are paths both engines can follow."""
    return [
        one
        for one in search_parameters(resource["resourceType"]).values()
        if one.expression and "resolve()" not in one.expression and one.url not in outside()
        if "hasExtension" not in one.expression  # fhirpathpy has none
    ]


@pytest.mark.parametrize("label", valid())
def test_a_path_arrives_where_an_independent_engine_does(label: str) -> None:
    resource = valid()[label]
    for parameter in paths_of(resource):
        expected = _oracle(parameter.expression)(copy.deepcopy(resource), {})
        if ".extension('" in parameter.expression:
            expected = [one.get("valueString") or one.get("valueReference") for one in expected]
        found = compile_path(resource["resourceType"], parameter.expression).select(resource)
        # The engine's union drops repeats and it strips bare extensions; what matters is what is reached.
        assert _plain(node.value for node in found) == _plain(expected), parameter.code


def _plain(values: Iterable[Any]) -> set[str]:
    """Return the distinct values as text, without what stands in for a primitive that has no value."""
    kept = [one for one in values if not (isinstance(one, dict) and set(one) <= {"id", "extension"})]
    return {json.dumps(_bare(one), sort_keys=True, default=str) for one in kept if one is not None}


def _bare(node: Any) -> Any:
    if isinstance(node, dict):
        return {key: _bare(one) for key, one in node.items() if not key.startswith("_")}
    return [_bare(one) for one in node] if isinstance(node, list) else node


@pytest.mark.parametrize("label", valid())
def test_every_place_a_path_gives_resolves_to_its_value(label: str) -> None:
    resource = valid()[label]
    kind = resource["resourceType"]
    for parameter in search_parameters(kind).values():
        if parameter.url in outside() or not parameter.expression:
            continue
        for node in compile_path(kind, parameter.expression).select(resource):
            place = _oracle(node.place)
            assert _plain(place(copy.deepcopy(resource), {})) == _plain([node.value]), node.place


@pytest.mark.parametrize("label", valid())
def test_the_values_of_a_path_are_those_of_its_nodes_whatever_is_there(label: str) -> None:
    resource = valid()[label]
    kind = resource["resourceType"]
    for parameter in search_parameters(kind).values():
        if parameter.url in outside() or not parameter.expression:
            continue
        path = compile_path(kind, parameter.expression)
        nodes = [(one.type, one.value) for one in path.select(resource)]
        assert [(one.type, one.value) for one in path.values(resource)] == nodes, parameter.code
        assert path.begins(resource.keys()) or not nodes, parameter.code


def test_the_parameters_outside_compiled_paths_are_these_and_each_has_an_answer() -> None:
    assert {url.rpartition("/")[2]: answer.partition(":")[0] for url, answer in outside().items()} == {
        "DomainResource-text": "no expression",
        "Resource-content": "no expression",
        "Resource-query": "no expression",
        "filter": "no expression",
        "patient-extensions-Patient-age": "no expression",
        "patient-extensions-Patient-birthOrderBoolean": "no expression",
        "Location-near": "special",
        "Patient-deceased": "a verdict, not a path",
    }


def test_resolve_is_answered_from_the_text_of_the_reference() -> None:
    path = compile_path("Observation", "Observation.subject.where(resolve() is Patient)")

    def kept(subject: dict[str, Any], **more: Any) -> bool:
        return bool(path.select({"resourceType": "Observation", "subject": subject, **more}))

    assert kept({"reference": "Patient/1"})
    assert kept({"reference": "https://example.org/fhir/Patient/1/_history/2"})
    assert kept({"type": "Patient", "identifier": {"value": "1"}})
    assert kept({"reference": "#p"}, contained=[{"resourceType": "Patient", "id": "p"}])
    assert not kept({"reference": "Group/1"})
    assert not kept({"reference": "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"})
    assert not kept({"reference": "#p"}, contained=[{"resourceType": "Group", "id": "p"}])


@pytest.mark.parametrize("expression", ["Patient.name.given.first()", "Patient.name.where(a = 1)", "Patient.a + 1"])
def test_what_is_outside_is_named(expression: str) -> None:
    with pytest.raises(OutsideError, match="not covered"):
        compile_path("Patient", expression)


@pytest.mark.parametrize(
    ("reference", "kind"),
    [
        ("Patient/1", "Patient"),
        ("http://example.org/fhir/Patient/1", "Patient"),
        ("Patient/1/_history/2", "Patient"),
        ("urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0", ""),
        ("#p", ""),
        ("Patient?identifier=1", ""),
    ],
)
def test_a_reference_names_its_type(reference: str, kind: str) -> None:
    assert type_in(reference) == kind
