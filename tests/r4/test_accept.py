"""The fast subset never says yes where the walker finds an error, and says yes to what is commonly sent.

Source: the walker's own rules, and the labelled corpus written from http://hl7.org/fhir/R4; mutations are
random, so that a hole in the subset need not have been thought of.
"""

import copy
import random
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhirmod.r4 import Known, accepts, check, dump, parse, refusals, said_at_once
from fhirmod.r4.fragments import PATTERNS
from fhirmod.r4.grammars import PRIMITIVE
from fhirmod.r4.invariants.logic import UCUM
from fhirmod.r4.subset import SUBSET_TYPES, subset_schema
from tests.benchmarks.r4 import broken, bundle, observation

from .corpus import changed, invalid, valid

ODD: list[Any] = [
    None, True, 0, 5, -1, Decimal("5.0"), Decimal("1e400"), "", " ", "x", "a b", "2026-02-29", "2024-02-29", "2026",
    "2026-02", "2026-02-30T10:00:00Z", "2026-03-02T10:00:00+14:30", "2026-03-02T24:00:00Z", "2026-03-02T10:00:00Z\n",
    "Patient/1", "Patient/", "Observation/1", "#x", "urn:uuid:x", "urn:uuid:00000000-0000-4000-8000-000000000000",
    "final", "http://unitsofmeasure.org", "mm[Hg]", [], {}, [None], [{}], {"id": "x"}, {"text": "x"}, ["x"],
    {"coding": [{"system": "http://loinc.org", "code": "85354-9"}]}, {"value": 5, "code": "mL"}, {"reference": "#x"},
    {"reference": "Medication/1"}, {"start": "2026-02-02", "end": "2026-02-01"}, {"start": "2026"}, {"comparator": "<"},
    [{"url": "http://example.org/x"}], [{"url": "x", "valueString": "x"}], [{"url": "http://example.org/x", "valueCode": "x"}],
    {"extension": [{"url": "http://example.org/x", "valueInteger": Decimal("5.0")}]},
    {"resourceType": "Patient", "id": "p"}, {"status": "generated", "div": "<div xmlns='http://www.w3.org/1999/xhtml'><p>x</div>"},
]  # fmt: skip


def seeds() -> list[dict[str, Any]]:
    kinds = {*SUBSET_TYPES, "Bundle"}
    from_corpus = [one for one in valid().values() if one["resourceType"] in kinds]
    return [one for one in from_corpus if accepts(one)] + [parse(dump(bundle(2)))]


SEEDS = seeds()


def places(node: Any) -> Iterator[tuple[Any, Any]]:
    """Return every (container, key) below a node."""
    for key, one in node.items() if isinstance(node, dict) else enumerate(node):
        yield node, key
        if isinstance(one, dict | list):
            yield from places(one)


def mutated(resource: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """Return a copy changed at one to three random places: dropped, replaced, doubled, moved or added."""
    made = copy.deepcopy(resource)
    for _ in range(chance.randint(1, 3)):
        found = list(places(made))
        where, key = chance.choice(found)
        how = chance.randrange(5)
        if how == 0 and where is not made:
            del where[key]
        elif how == 1:
            where[key] = copy.deepcopy(chance.choice(ODD))
        elif how == 2:
            other, at = chance.choice(found)
            where[key] = copy.deepcopy(other[at])
        elif how == 3 and isinstance(where, dict):
            where[chance.choice(KEYS)] = copy.deepcopy(chance.choice(ODD))
        elif how == 4 and isinstance(where[key], list):
            where[key].append(copy.deepcopy(chance.choice(ODD)))
    return made


KEYS = [
    *sorted({str(key) for one in SEEDS for _, key in places(one) if isinstance(key, str)}),
    "dataAbsentReason", "valueQuantity", "valueString", "_status", "_effectiveDateTime", "contained", "modifierExtension",
    "implicitRules", "extension", "start", "end", "referenceRange", "hasMember", "fullUrl", "request", "total", "low",
]  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 2**32))
def test_what_the_subset_accepts_has_no_error_for_the_walker(seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(20):
        resource = mutated(chance.choice(SEEDS), chance)
        if accepts(resource):
            assert [one for one in check(resource) if one.refuses] == [], resource


ONLY_WOMEN = {
    "url": "http://partner.example.org/StructureDefinition/of-a-woman",
    "type": "Observation",
    "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Observation",
    "differential": {
        "element": [
            {
                "id": "Observation.subject",
                "path": "Observation.subject",
                "type": [
                    {"code": "Reference", "targetProfile": ["http://hl7.org/fhir/StructureDefinition/Patient"]},
                ],
            }
        ]
    },
}
PARTNER = Known([ONLY_WOMEN])
UUID = "urn:uuid:00000000-0000-4000-8000-000000000000"
SUBJECTS = ("Patient/1", "Device/1", "Patient/1/_history/2", UUID, "https://example.org/fhir/Patient/1")
ADDRESSES = (
    "https://example.org/fhir/Patient/1", "https://example.org/fhir/Device/1", UUID, "http/Patient/1", "/Patient/1", None,
)  # fmt: skip


def drawn(chance: random.Random) -> dict[str, Any]:
    """Return a Bundle of an Observation that claims the partner's profile, and of what its subject may be."""
    measured = observation(1) | {
        "meta": {"profile": [ONLY_WOMEN["url"]]},
        "subject": {"reference": chance.choice(SUBJECTS)},
    }
    entries: list[dict[str, Any]] = [{"fullUrl": "https://example.org/fhir/Observation/o1", "resource": measured}]
    for _ in range(chance.randrange(3)):
        address, kind = chance.choice(ADDRESSES), chance.choice(("Patient", "Device"))
        resource = {"resourceType": kind, "id": chance.choice(("1", "1", "2"))}
        entries.append({"resource": resource} | ({"fullUrl": address} if address else {}))
    for entry in entries if chance.random() < 0.5 else ():
        entry["request"] = {"method": "PUT", "url": chance.choice(("Patient/1", "Device/1", "Observation/o1"))}
    return {"resourceType": "Bundle", "type": chance.choice(("collection", "transaction")), "entry": entries}


def test_a_bundle_that_is_accepted_has_no_error_for_the_walker() -> None:
    chance, said = random.Random(7), []
    for _ in range(2000):
        bundle = parse(dump(drawn(chance)))
        said.append(accepts(bundle, PARTNER))
        if said[-1]:
            assert [one for one in check(bundle, known=PARTNER) if one.refuses] == [], bundle
    assert 200 < sum(said) < 1800


@pytest.mark.parametrize("case", invalid(), ids=lambda case: case["label"])
def test_what_r4_forbids_is_not_accepted(case: dict[str, Any]) -> None:
    resource = changed(valid()[case["base"]], case)
    if any(severity in ("error", "fatal") for severity, _, _ in case["finds"]):
        assert not accepts(resource)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 2**32))
def test_what_is_said_at_once_is_what_the_walker_says(seed: int) -> None:
    chance = random.Random(seed)
    for _ in range(20):
        resource = mutated(chance.choice(SEEDS), chance)
        if (said := said_at_once(resource)) is not None:
            assert said == check(resource), resource


@pytest.mark.parametrize("case", valid().values(), ids=valid().keys())
def test_of_what_is_valid_the_walker_says_what_is_said_at_once(case: dict[str, Any]) -> None:
    resource = parse(dump(case))
    assert said_at_once(resource) in (None, check(resource))


ODDITIES = [
    ("code.coding", [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vitalsigns"}]),
    ("code.coding", [{"system": UCUM, "code": "millimetres"}]),
    ("code.text", "  "),
    ("code.text", "a\x07b"),
    ("subject", {"type": "Patient"}),
    ("meta", {"profile": ["of-a-woman"]}),
    ("meta", {"source": "urn:uuid:1"}),
    ("identifier", [{"system": "urn:ietf:rfc:3986", "value": "e1"}]),
    ("valueQuantity", {"value": 5, "system": UCUM, "code": "millilitres"}),
    ("interpretation", [{"coding": [{"system": "http://example.org", "code": "high"}]}]),
    ("extension", [{"url": "urn:oid:x", "valueString": "x"}]),
]


@pytest.mark.parametrize(("place", "value"), ODDITIES, ids=str)
def test_what_r4_warns_of_is_not_said_at_once(place: str, value: Any) -> None:
    resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}}
    assert said_at_once(resource) == check(resource)
    *way, key = place.split(".")
    node: dict[str, Any] = resource[way[0]] if way else resource  # type: ignore[assignment]
    node[key] = value
    assert {one.severity for one in check(resource)} == {"information", "warning"}
    assert said_at_once(resource) is None


def test_a_rule_whose_breaking_is_a_warning_is_not_passed_over_at_once() -> None:
    # http://hl7.org/fhir/R4/condition.html, con-3: a problem on a list has a clinical status; a warning
    problem = {"system": "http://terminology.hl7.org/CodeSystem/condition-category", "code": "problem-list-item"}
    condition = {
        "resourceType": "Condition",
        "category": [{"coding": [problem]}],
        "subject": {"reference": "Patient/1"},
    }
    assert {one.code for one in check(condition)} == {"con-3", "dom-6"}
    assert said_at_once(condition) is None
    rule = "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())"
    constraint = {"key": "wide-1", "severity": "warning", "human": "a value", "expression": rule}
    asked = ONLY_WOMEN | {"differential": {"element": [{"id": "Observation", "path": "Observation"}]}}
    asked["differential"]["element"][0]["constraint"] = [constraint]  # type: ignore[index]
    known, claimed = Known([asked]), {"profile": [ONLY_WOMEN["url"]]}
    claiming = {"resourceType": "Observation", "meta": claimed, "status": "final", "code": {"text": "x"}}
    assert {one.code for one in check(claiming, known=known)} == {"wide-1", "dom-6"}
    assert said_at_once(claiming, known) is None
    valued = claiming | {"valueString": "x"}
    assert said_at_once(valued, known) == check(valued, known=known)


def test_a_mutation_of_each_kind_is_both_accepted_and_refused_so_that_the_law_is_not_empty() -> None:
    chance = random.Random(1)
    made = [mutated(chance.choice(SEEDS), chance) for _ in range(2000)]
    assert 200 < sum(accepts(one) for one in made) < 1800
    assert 100 < sum(said_at_once(one) is not None for one in made) < 1800


@pytest.mark.parametrize("kind", sorted(PATTERNS.keys() - {"xhtml"}))
def test_a_pattern_of_a_primitive_accepts_only_what_its_grammar_does(kind: str) -> None:
    validator = jsonschema.Draft202012Validator(PATTERNS[kind])
    for value in ODD:
        if validator.is_valid(value) and not (isinstance(value, str) and value.endswith("\n")):
            whole = not isinstance(value, Decimal) or kind == "decimal"
            assert PRIMITIVE[kind](value) or not whole, value


def test_refusals_are_the_walkers_errors() -> None:
    bad = parse(dump(broken(bundle(1))))
    assert refusals(bad) == [one for one in check(bad) if one.refuses] != []
    assert refusals(parse(dump(bundle(1)))) == []


def test_the_published_schema_is_read_by_another_library() -> None:
    schema = subset_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    other = jsonschema.Draft202012Validator(schema)
    assert other.is_valid(bundle(1))
    assert not other.is_valid(broken(bundle(1)))
