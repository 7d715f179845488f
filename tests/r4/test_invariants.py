# mypy: disable-error-code="no-untyped-call"
"""Our invariants against an independent FHIRPath engine: every rule, at every node of the corpus it applies to.

The oracle is fhirpathpy on the definitions' own FHIRPath text. It is given what it lacks (hasValue, and
resolve for contained resources), and `as` on a collection is read as `ofType`. An empty result passes.
"""

import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest
from fhirpathpy.engine import do_eval
from fhirpathpy.engine.nodes import ResourceNode
from fhirpathpy.engine.util import arraify, get_data, process_user_invocation_table
from fhirpathpy.models import models
from fhirpathpy.parser import parse

from fhirmod.r4 import check
from fhirmod.r4.definition_reading import BROKEN
from fhirmod.r4.facts import facts
from fhirmod.r4.invariants import ROWS, TESTS, WORDS, Scope
from fhirmod.r4.plan import plan
from fhirmod.r4.walk import Walk

from .corpus import changed, invalid, valid

# (rule, label of the instance) where the two differ, and why ours is the right answer.
DIFFERENCES = {
    ("bdl-12", "bdl-12"): "empty in FHIRPath, but a message without entries has no first MessageHeader",
    (
        "eld-19",
        "eld-19",
    ): "it reads `matches` as a search in the text; R4's reference engine matches the whole",
    ("eld-20", "eld-19"): "the same",
    ("eld-20", "eld-20"): "the same",
    (
        "per-1",
        "period of one day",
    ): "it reads a day as its first moment; R4's Period.end includes the whole day",
    ("per-1", "period whose end is the day of its start"): "the same",
    ("per-1", "period across offsets"): "it compares the clock without the offset",
    ("per-1", "period across offsets within hours"): "the same",
    ("per-1", "per-1 by a millisecond"): "it compares whole seconds",
    ("inv-1", "task with input of any type"): "it reads a day as its first moment",
    (
        "que-7",
        "questionnaire with nested items",
    ): "it takes Boolean for the System type, not the boolean element",
    ("que-7", "que-12"): "the same",
    ("rng-2", "ranges"): "it cannot compare JSON quantities",
    ("rng-2", "rng-2"): "the same",
    ("ref-1", "reference as a number"): "it raises on a number; ours leaves it to the finding bad-string",
}


@dataclass(frozen=True)
class Asked:
    """One rule put to one node."""

    key: str
    text: str
    node: Any
    scope: Scope
    kind: str


@cache
def _kinds() -> dict[int, str]:
    """Return the type each tuple of rules belongs to, by identity, for every type carried."""
    found: dict[int, str] = {}
    names = [*facts()["shapes"], *(f"Quantity|{name}" for name in facts()["datatype_profiles"])]
    for name in names:
        one = plan(name)
        found[id(one.checks)] = name.partition("|")[0]
        for slot in one.slots.values():
            if slot.checks:
                found[id(slot.checks)] = slot.field.type
    return found


class Recorder(Walk):
    """A walk that remembers every rule it put to a node."""

    def __init__(self) -> None:
        super().__init__()
        self.asked: list[Asked] = []

    def rules(self, checks: Any, node: Any, place: Any, scope: Scope) -> None:
        kind = _kinds()[id(checks)]
        self.asked += [Asked(key, text, node, scope, kind) for key, _, text, _ in checks]
        super().rules(checks, node, place, scope)


def _has_value(nodes: list[Any]) -> bool:
    return len(nodes) == 1 and get_data(nodes[0]) is not None and not isinstance(get_data(nodes[0]), dict)


def _resolver(scope: Scope) -> Any:
    def resolve(nodes: list[Any]) -> list[Any]:
        links = [get_data(node).get("reference", "") for node in nodes]
        inside = scope.root.get("contained", [])
        return [ResourceNode.create_node(one) for one in inside if "#" + one.get("id", "") in links]

    return resolve


@cache
def _parsed(text: str) -> Any:
    text = re.sub(r"\.trace\('[a-z]+'(, id)?\)", "", text)
    return parse(re.sub(r"\.as\((\w+)\)", r".ofType(\1)", text))


def oracle(asked: Asked) -> Any:
    """Return what fhirpathpy makes of the rule, None for an empty result."""
    data = copy.deepcopy(asked.node)
    subject = arraify(ResourceNode.create_node(data, asked.kind))
    table = {
        "hasValue": {"fn": _has_value, "arity": {0: []}},
        "resolve": {"fn": _resolver(asked.scope), "arity": {0: []}},
    }
    resource = ResourceNode.create_node(copy.deepcopy(asked.scope.resource))
    root = ResourceNode.create_node(copy.deepcopy(asked.scope.root))
    context = {
        "dataRoot": subject,
        "vars": {
            "context": subject,
            "resource": resource,
            "rootResource": root,
            "ucum": "http://unitsofmeasure.org",
        },
        "model": models["r4"],
        "userInvocationTable": process_user_invocation_table(table),
    }
    result = do_eval(context, subject, _parsed(asked.text)["children"][0])
    return get_data(result[0]) if result else None


def instances() -> Iterator[tuple[str, dict[str, Any]]]:
    base = valid()
    yield from base.items()
    for case in invalid():
        yield case["label"], changed(base[case["base"]], case)


def rules_asked(resource: dict[str, Any]) -> list[Asked]:
    walk = Recorder()
    walk.resource(resource, (None, str(resource.get("resourceType")), -1))
    return walk.asked


@pytest.mark.parametrize(("label", "resource"), [pytest.param(*one, id=one[0]) for one in instances()])
def test_every_rule_agrees_with_an_independent_engine(label: str, resource: dict[str, Any]) -> None:
    for asked in rules_asked(resource):
        if (asked.key, label) in DIFFERENCES:
            continue
        try:
            ours = TESTS[asked.text](asked.node, asked.scope)
        except BROKEN:
            assert any(one.refuses for one in check(resource))  # the walk says itself what is broken
            continue
        assert (ours is not False) == (oracle(asked) is not False), (asked.key, asked.kind, asked.node)


@pytest.mark.parametrize(("key", "label"), DIFFERENCES)
def test_each_listed_difference_is_still_one(key: str, label: str) -> None:
    resource = dict(instances())[label]
    differs = []
    for asked in rules_asked(resource):
        if asked.key != key:
            continue
        ours = TESTS[asked.text](asked.node, asked.scope) if isinstance(asked.node, dict) else None
        try:
            differs.append((ours is not False) != (oracle(asked) is not False))
        except Exception:  # noqa: BLE001 - whatever it raises is the difference
            differs.append(True)
    assert any(differs)


def test_the_functions_answer_exactly_the_rules_of_the_definitions() -> None:
    shapes = facts()["shapes"].values()
    texts = {rule[2] for one in shapes for rule in one["invariants"]}
    texts |= {rule[2] for one in shapes for e in one["elements"] for rule in e.get("invariants", ())}
    texts |= {rule[2] for rules in facts()["datatype_profiles"].values() for rule in rules}
    elements = [e for one in facts()["profiles"].values() for e in one["snapshot"]["element"]]
    texts |= {rule["expression"] for e in elements for rule in e.get("constraint", ())}
    assert texts - {"htmlChecks()"} == set(TESTS)  # the narrative's two rules are read from its XHTML


def test_every_rule_has_words_and_no_words_are_left_over() -> None:
    shapes = facts()["shapes"].values()
    keys = {rule[0] for one in shapes for rule in one["invariants"]}
    keys |= {rule[0] for one in shapes for e in one["elements"] for rule in e.get("invariants", ())}
    keys |= {rule[0] for rules in facts()["datatype_profiles"].values() for rule in rules}
    keys |= {"vs-1", "vs-2", "vs-3"}
    assert {key for key in WORDS if key not in TESTS} == keys - {"txt-1", "txt-2"}


def test_no_rule_is_written_twice() -> None:
    assert len(ROWS) == len(TESTS)
