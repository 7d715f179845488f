"""Our search parameters: where R4 has none, valid as resources, and finding what FHIRPath says they find.

Source: http://hl7.org/fhir/R4/searchparameter.html; the expressions are evaluated by fhirpathpy, an engine of others.
"""

import json
from typing import Any

import fhirpathpy
import pytest
from fhir.resources.R4B.searchparameter import SearchParameter as Model
from fhirpathpy.models import models

from fhirmod.exchange import conformance_resources, examples
from fhirmod.mapping import OWN_SEARCHES, OwnSearch, searches
from fhirmod.r4 import check, compile_path, dump, parse, search_parameters, values_of

DEFINED = {one["url"]: one for one in conformance_resources() if one["resourceType"] == "SearchParameter"}
EACH = pytest.mark.parametrize("own", OWN_SEARCHES, ids=lambda own: own.id)
IN_PLACE = {
    "resourceType": "Condition",
    "extension": [
        {
            "url": "http://hl7.org/fhir/StructureDefinition/condition-dueTo",
            "valueCodeableConcept": {"coding": [{"system": "urn:a", "code": "tone"}]},
        },
        {"url": "http://example.org/other", "valueCodeableConcept": {"coding": [{"system": "urn:a", "code": "no"}]}},
    ],
}
COMPLICATED = {"resourceType": "Procedure", "complicationDetail": [{"reference": "Condition/c"}]}


def sent() -> list[dict[str, Any]]:
    return [
        one
        for example in examples().values()
        for one in ([e["resource"] for e in example["entry"]] if "entry" in example else [example])
    ]


SENT = [*sent(), IN_PLACE, COMPLICATED]


@EACH
def test_it_takes_no_code_that_r4_has_for_the_type(own: OwnSearch) -> None:
    assert own.code not in search_parameters(own.base)
    assert searches(own.base)[own.code].url == own.url


@EACH
def test_it_is_published_as_it_is_applied(own: OwnSearch) -> None:
    defined = parse(dump(DEFINED[own.url]))
    assert [one for one in check(defined) if one.severity != "information"] in ([], _narrative(defined))
    Model.model_validate(defined)
    said = (defined["base"], defined["code"], defined["type"], defined["expression"], defined.get("target", []))
    assert said == ([own.base], own.code, own.type, own.expression, list(own.targets))


def _narrative(resource: dict[str, Any]) -> list[Any]:
    """Return the one warning that every conformance resource of ours has: no narrative (dom-6)."""
    return [one for one in check(resource) if "dom-6" in one.sentence]


@EACH
def test_it_finds_what_its_expression_gives_by_another_engine(own: OwnSearch) -> None:
    found = 0
    for resource in (one for one in SENT if one["resourceType"] == own.base):
        plain = json.loads(dump(resource))
        theirs = fhirpathpy.evaluate(plain, own.expression, {}, models["r4"])
        nodes = compile_path(own.base, own.expression).select(parse(dump(resource)))
        assert [json.loads(dump(node.value)) for node in nodes] == theirs
        found += len(values_of(searches(own.base)[own.code], parse(dump(resource))))
    assert found > 0


def test_every_definition_is_of_one_that_is_applied() -> None:
    assert set(DEFINED) == {one.url for one in OWN_SEARCHES}
