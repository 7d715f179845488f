"""Independent judges: a JSON Schema of our own reading, fhir.resources R4B, and HL7's own definitions.

None of them judges everything; where one can, it must agree, or the difference is listed with its reason.
"""

import copy
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhirmod.r4 import check, dump, parse, references, search_parameters, values_of
from fhirmod.r4.inputs import read_input

from .corpus import valid
from .schema import validator
from .test_invariants import instances

# What JSON Schema can judge of our findings: codes it must be able to confirm.
STRUCTURAL = frozenset(
    (
        "unknown-property",
        "missing-element",
        "not-a-list",
        "empty-list",
        "empty-object",
        "bad-boolean",
        "bad-integer",
    )
)

# fhir.resources 8.3 R4B refuses these, and R4 does not.
WRONGLY_REFUSED = {
    "unknown time of a choice": "it wants a choice's value even where an extension says why there is none",
    "extension whose value has only an extension": "it has no Extension._value[x]",
    "extension value types": "R4B dropped Extension.valueMeta",
    "id with an extension beside": "it has no _id on a resource",
    "task with input of any type": "it wants Task.input.value[x] even with an extension",
    "a type not carried": "it knows Appointment, whose definition we do not carry: we only warn",
}


@pytest.mark.parametrize(("label", "resource"), [pytest.param(*one, id=one[0]) for one in instances()])
def test_what_the_schema_refuses_we_refuse(label: str, resource: dict[str, Any]) -> None:
    refused = [one for one in check(resource) if one.refuses]
    schema = next(validator().iter_errors(resource), None)
    if label != "a type not carried":  # the schema has no case for it
        assert schema is None or refused, schema
    if any(one.code in STRUCTURAL for one in refused):
        assert schema is not None, refused


@pytest.fixture(scope="module")
def judge() -> Any:
    constraints = pytest.importorskip("fhir_core.constraints")
    constraints.TYPES_ID_MAX_LENGTH = 64  # R4's length; its own default is 255
    models = pytest.importorskip("fhir.resources.R4B")

    def refuses(resource: dict[str, Any]) -> bool:
        try:
            models.get_fhir_model_class(resource["resourceType"]).model_validate(copy.deepcopy(resource))
        except (ValueError, KeyError, TypeError):  # an unknown type inside is a KeyError there
            return True
        return False

    return refuses


def test_what_fhir_resources_refuses_we_refuse(judge: Any) -> None:
    differing = {
        label
        for label, resource in instances()
        if isinstance(resource.get("resourceType"), str)
        and judge(resource)
        and not any(one.refuses for one in check(resource))
    }
    assert differing == set(WRONGLY_REFUSED)


# HL7's definitions are R4 instances themselves. The committed copies are slimmed, so what was cut is missing;
# and one id is longer than R4 allows (SearchParameter device-extensions...: 65 characters and more).
CUT = {
    "missing-element",  # descriptions, names and constraint texts
    "unknown-property",  # the max value set, moved out of its extension
    "eld-18",  # isModifierReason
    "sdf-3",  # definition
    "sdf-10",  # binding.description
}


@pytest.mark.parametrize(
    "name",
    [
        "structure-definitions",
        "value-sets",
        "code-systems",
        "search-parameters",
        "compartments",
        "operations",
    ],
)
def test_hl7s_own_definitions_break_no_rule(name: str) -> None:
    found = set()
    for one in read_input(name):
        resource = parse(dump(one))
        found |= {f.code for f in check(resource) if f.refuses}
    assert found - CUT == ({"bad-id"} if name == "search-parameters" else set())


VALUES: list[Any] = [
    None, "", [], {}, True, 5, -1, "x", "a b", "2026-01-01", {"x": 1}, ["x"],
    {"extension": [{"url": "http://example.org/e", "valueString": "q"}]}, {"reference": "#zz"}, {"coding": [5]},
    [{}], [[]], "#", "urn:uuid:x", 1.5,
]  # fmt: skip


def _nodes(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    if isinstance(node, dict):
        for key, one in node.items():
            found += _nodes(one, (*path, key))
    elif isinstance(node, list):
        for index, one in enumerate(node):
            found += _nodes(one, (*path, index))
    return found


@st.composite
def mutants(draw: st.DrawFn) -> dict[str, Any]:
    resource: dict[str, Any] = copy.deepcopy(draw(st.sampled_from(list(valid().values()))))
    for _ in range(draw(st.integers(1, 3))):
        paths = _nodes(resource)
        if not paths:
            break
        *above, last = draw(st.sampled_from(paths))
        parent: Any = resource
        for name in above:
            parent = parent[name]
        match draw(st.sampled_from(["drop", "set", "wrap", "unwrap", "add"])):
            case "drop":
                del parent[last]
            case "set":
                parent[last] = copy.deepcopy(draw(st.sampled_from(VALUES)))
            case "wrap":
                parent[last] = [parent[last]]
            case "unwrap" if isinstance(parent[last], list) and parent[last]:
                parent[last] = parent[last][0]
            case "add" if isinstance(last, str):
                name = draw(st.sampled_from(["x", "_" + last, last + "X", "extension", "resourceType"]))
                parent[name] = copy.deepcopy(draw(st.sampled_from(VALUES)))
    return resource


@settings(max_examples=300, deadline=None)
@given(mutants())
def test_mutants_are_judged_by_walker_and_schema_alike(resource: dict[str, Any]) -> None:
    before = copy.deepcopy(resource)
    found = check(resource)
    assert resource == before
    refused = [one for one in found if one.refuses]
    if any(one.code == "type-not-carried" for one in found):
        return
    schema = next(validator().iter_errors(resource), None)
    assert schema is None or refused, schema
    if any(one.code in STRUCTURAL for one in refused):
        assert schema is not None, refused


@settings(max_examples=200, deadline=None)
@given(mutants())
def test_mutants_make_nothing_else_raise(resource: dict[str, Any]) -> None:
    assert isinstance(list(references(resource)), list)
    for parameter in search_parameters(str(resource.get("resourceType"))).values():
        assert isinstance(values_of(parameter, resource), list)


_json: Any = st.recursive(
    st.none() | st.booleans() | st.integers(-3, 3) | st.sampled_from(["", "x", "#a", "Patient/1", "2026"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                ["resourceType", "id", "entry", "resource", "contained", "extension", "url", "reference", "type",
                 "request", "method", "fullUrl", "status", "code", "coding", "text", "div", "name", "item", "linkId"]
            ),
            inner,
            max_size=5,
        )
    ),
    max_leaves=25,
)  # fmt: skip


@given(st.sampled_from(["Patient", "Bundle", "Questionnaire", "StructureDefinition", "Observation"]), _json)
def test_no_json_makes_the_check_raise(kind: str, body: Any) -> None:
    resource = {**body, "resourceType": kind} if isinstance(body, dict) else body
    for finding in check(resource):
        assert finding.sentence


@given(st.sampled_from(list(valid())), st.randoms(use_true_random=False))
def test_the_order_of_properties_changes_nothing(label: str, random: Any) -> None:
    def shuffled(node: Any) -> Any:
        if isinstance(node, dict):
            items = list(node.items())
            random.shuffle(items)
            return {key: shuffled(one) for key, one in items}
        return [shuffled(one) for one in node] if isinstance(node, list) else node

    resource = valid()[label]
    assert {(f.code, f.place) for f in check(shuffled(resource))} == {(f.code, f.place) for f in check(resource)}
