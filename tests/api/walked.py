"""What every answer of the FHIR side must be, wherever a test gets one."""

from collections.abc import Iterator
from typing import Any

from fhirmod.mapping import searches
from fhirmod.r4 import check, component_types, parse


def valid(answer: Any) -> dict[str, Any]:
    """Return the resource of an answer, which is valid R4 and has no null, empty list or empty object.

    Source: http://hl7.org/fhir/R4/json.html ("objects are never empty", "an array is never empty").
    """
    assert answer.headers["content-type"].removesuffix("; fhirVersion=4.0") == "application/fhir+json; charset=utf-8"
    resource = parse(answer.content)
    assert [one for one in check(resource) if one.refuses] == [], answer.text
    assert list(_empty(resource)) == [], answer.text
    return dict(resource)


def refused(answer: Any, status: int, code: str, says: str) -> None:
    """Fail if an answer is not this refusal, said as an OperationOutcome."""
    outcome = valid(answer)
    assert (answer.status_code, outcome["resourceType"]) == (status, "OperationOutcome"), answer.text
    assert code in [issue["code"] for issue in outcome["issue"]]
    assert says in outcome["issue"][0]["diagnostics"]


def _empty(value: Any, place: str = "") -> Iterator[str]:
    """Yield where a value says nothing; null may stand in a list of primitives that has a companion."""
    if value in ({}, [], "") or (value is None and not place.endswith("]")):
        yield place
    if isinstance(value, dict):
        for name, item in value.items():
            yield from _empty(item, f"{place}.{name}")
    if isinstance(value, list):
        for number, item in enumerate(value):
            yield from _empty(item, f"{place}[{number}]")


_SOUGHT = {"date": "2026", "number": "1", "quantity": "1"}


def sought(type_: str, name: str) -> str:
    """Return a value that a search by this parameter can mean; a composite takes one for each of its parts."""
    parameter = searches(type_)[name]
    types = component_types(parameter) or (parameter.type,)
    return "$".join(_SOUGHT.get(one, "x") for one in types)
