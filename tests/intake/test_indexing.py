"""What is indexed against R4's own FHIRPath expression of each parameter, evaluated by fhirpathpy.

Source: the `expression` of each SearchParameter in the R4 definitions; fhirpathpy is an engine of others.
"""

import json
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import fhirpathpy
import pytest
from fhirpathpy.models import models

from fhirmod.intake import Asking, sought
from fhirmod.intake.indexing import UNIONS, indexed_parameters, values
from fhirmod.intake.narrowed import narrowed
from fhirmod.intake.pending import meets
from fhirmod.intake.wide import WIDE
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, ReferenceValue, SearchParameter, dump, search_parameter, values_of
from fhirmod.store.rows import field
from tests.r4.corpus import valid as corpus

ASKING = Asking("", datetime(2026, 3, 2, tzinfo=UTC))


def judgeable(parameter: SearchParameter) -> bool:
    """Return whether the engine alone can judge it: not what other resources say, nor (it is lost there) of `Resource`."""
    ours = "resolve()" in parameter.expression or parameter.expression.startswith("Resource.")
    return parameter.type in ("token", "uri", "date") and not ours


RESOURCES = {
    name: one
    for name, one in sorted(corpus().items())
    if one["resourceType"] != "Bundle" and any(map(judgeable, indexed_parameters(one["resourceType"]).values()))
}


def present(resource: dict[str, Any], expression: str) -> bool | None:
    """Return whether the expression gives anything of a resource; None where the engine cannot say."""
    try:
        return bool(fhirpathpy.evaluate(resource, expression, {}, models["r4"]))
    except Exception:  # noqa: BLE001 - an engine that cannot run an expression judges nothing
        return None


@pytest.mark.parametrize("name", list(RESOURCES))
def test_a_parameter_has_rows_where_its_expression_has_values_and_only_there(name: str) -> None:
    resource = RESOURCES[name]
    type_ = resource["resourceType"]
    rows = {row[0].partition(":")[0] for row in values(resource)}
    plain = json.loads(dump(resource))
    judged = 0
    for code, parameter in indexed_parameters(type_).items():
        if f"_{code}" in plain or not judgeable(parameter):
            continue  # the engine takes an extension alone for a value
        said = present(plain, parameter.expression)
        if said is not None:
            judged += 1
            if code == "deceased":  # a verdict: it is indexed as true or as false
                assert (
                    "deceased",
                    str(fhirpathpy.evaluate(plain, parameter.expression, {}, models["r4"])[0]).lower(),
                    "",
                    0.0,
                    0.0,
                ) in values(resource)
                continue
            assert said == (code in rows), (code, parameter.expression)
    assert judged > 0


def test_no_two_parameters_share_a_number() -> None:
    """Rows are told apart by it: R4's parameters and ours, of every type, and what is kept beside them."""
    beside = ("", ":identifier", ":number", ":of-type", ":text", *(f":{time}" for _, time in WIDE.values()))
    names = [(type_, f"{code}{also}") for type_ in RESOURCE_TYPES for code in searches(type_) for also in beside]
    assert len(names) > 10_000
    assert len({field(*one) for one in names}) == len({f"{type_}.{param}" for type_, param in names})


def test_the_unions_that_have_no_rows_are_those_that_r4_writes_as_unions() -> None:
    for name, parts in UNIONS.items():
        whole = search_parameter("Observation", name)
        assert whole is not None
        for part in parts:
            one = search_parameter("Observation", part)
            assert one is not None
            assert one.type == whole.type


@pytest.mark.parametrize("name", sorted(corpus()))
def test_a_narrowed_parameter_finds_what_its_own_expression_gives(name: str) -> None:
    """Source: R4's expression of the parameter itself, of which no row is kept."""
    resource = corpus()[name]
    type_ = resource["resourceType"]
    rows = values(resource)
    for code in narrowed(type_):
        own = [one for one in values_of(searches(type_)[code], resource) if isinstance(one, ReferenceValue)]
        assert meets(sought(type_, code, "missing", "false", ASKING), rows) == bool(own)
        assert not [row for row in rows if row[0] == code]
        for one in own:
            if one.reference is not None:
                assert meets(sought(type_, code, "", one.reference, ASKING), rows)


def test_the_text_of_a_concept_alone_has_a_row_only_where_it_has_no_code() -> None:
    """Source: search.html#modifiers, `missing`: a concept that is only a text is a value."""
    coded = {"coding": [{"system": "urn:s", "code": "c"}], "text": "both"}
    for concept, expected in ((coded, ["c"]), ({"text": "alone"}, [""])):
        rows = values({"resourceType": "Observation", "status": "final", "code": concept})
        assert [row[1] for row in rows if row[0] == "code"] == expected
        assert meets(sought("Observation", "code", "missing", "false", ASKING), rows)


def test_what_is_known_of_a_part_is_not_taken_for_another() -> None:
    """Source: AuditEvent-patient in R4, AuditEvent.agent.who.where(resolve() is Patient): what is inside decides it."""
    for kind, found in (("Patient", 1), ("Device", 0), ("Patient", 1)):
        event = {"resourceType": "AuditEvent", "agent": [{"who": {"reference": "#c"}}]}
        rows = values(event | {"contained": [{"resourceType": kind, "id": "c"}]})
        assert len([row for row in rows if row[0] == "patient"]) == found
    for number, low in ((Decimal("1.5"), 1.5), (Decimal(15), 15.0), (Decimal("1.5"), 1.5)):
        measured = {"resourceType": "Observation", "valueQuantity": {"value": number, "unit": "mL"}}
        assert {row[3] for row in values(measured) if row[0] == "value-quantity"} == {low}


def test_an_address_that_stands_twice_is_one_row_of_the_narrowed_parameter() -> None:
    """R4: Account.subject is 0..*; two references to one address differ by what identifies beside it."""
    address = "http://elsewhere.example/fhir/Patient/p"
    identifier = {"system": "urn:x", "value": "1"}
    subject = [{"reference": address}, {"reference": address, "identifier": identifier}]
    rows = values({"resourceType": "Account", "status": "active", "subject": subject})
    assert [row for row in rows if row[1] == address] == [("subject", address, "Patient", 0.0, 0.0)]
