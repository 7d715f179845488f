"""What a FHIR write costs, counted: statements and commits of each interaction, parses and dumps of each resource."""

import json
from collections.abc import Callable
from typing import Any

import pytest

from fhirmod import r4
from fhirmod.intake import Intake

from . import partner
from .case import request
from .test_exchanged import stored

IDENTIFIED = b'"identifier":[{"system":"urn:oid:2.999.1","value":"W-17"}]'
PATIENT = b'{"resourceType":"Patient","id":"p",' + IDENTIFIED + b"}"
CONDITION = "identifier=urn:oid:2.999.1|W-17"


def cost(intake: Intake, work: Callable[[], Any]) -> tuple[int, int]:
    """Return the SQL statements and commits of one request."""
    before = intake.store.counters
    work()
    after = intake.store.counters
    return after.statements - before.statements, after.commits - before.commits


def test_each_interaction_is_one_commit_of_few_statements(intake: Intake, backend: str) -> None:
    def put(text: bytes) -> Any:
        return intake.update(request(), "Patient", "p", text)

    costs = {
        "update as create": cost(intake, lambda: put(PATIENT)),
        "update": cost(intake, lambda: put(PATIENT[:-1] + b',"gender":"female"}')),
        "the same again": cost(intake, lambda: put(PATIENT[:-1] + b',"gender":"female"}')),
        "patch": cost(intake, lambda: intake.patch(request(), "Patient", "p", [{"op": "remove", "path": "/gender"}])),
        "conditional create": cost(
            intake, lambda: intake.create(request(), "Patient", PATIENT, if_none_exist=CONDITION)
        ),
        "by two criteria": cost(
            intake,
            lambda: intake.create(request(), "Patient", PATIENT, if_none_exist=f"{CONDITION}&name:missing=true"),
        ),
        "delete": cost(intake, lambda: intake.delete(request(), "Patient", "p")),
        "delete again": cost(intake, lambda: intake.delete(request(), "Patient", "p")),
    }
    assert {commits for _, commits in costs.values()} == {1}
    most = {name: statements for name, (statements, _) in costs.items()}
    locks = 6 if backend == "postgresql" else 0  # claims, episodes and rows, each in one statement
    assert max(most.values()) <= 15 + locks, most  # two ask who else is this woman, one clears the search index
    assert most["the same again"] <= 4 + locks, most
    assert most["by two criteria"] <= most["conditional create"] + 1, most  # which criterion is the rarest


@pytest.mark.parametrize("conditional", [False, True])
def test_the_statements_of_a_transaction_do_not_grow_with_its_entries(intake: Intake, *, conditional: bool) -> None:
    def some(start: int, count: int) -> bytes:
        entries: list[dict[str, Any]] = []
        for number in range(start, start + count):
            patient: dict[str, Any] = {"resourceType": "Patient", "id": f"w{number}"}
            entries.append({"resource": patient, "request": {"method": "PUT", "url": f"Patient/w{number}"}})
            visit: dict[str, Any] = {
                "resourceType": "Basic",
                "code": {"text": "x"},
                "subject": {"reference": f"Patient/w{number}"},
            }
            entries.append({"resource": visit, "request": {"method": "POST", "url": "Basic"}})
        if conditional:
            known = {"resourceType": "Patient", "identifier": [{"system": "urn:oid:2.999.1", "value": "W-17"}]}
            ask = {"method": "POST", "url": "Patient", "ifNoneExist": CONDITION}
            entries.append({"resource": known, "request": ask})
        return json.dumps({"resourceType": "Bundle", "type": "transaction", "entry": entries}).encode()

    intake.transaction(request(), some(0, 5))
    few = cost(intake, lambda: intake.transaction(request(), some(10, 10)))
    many = cost(intake, lambda: intake.transaction(request(), some(100, 100)))
    assert few == many
    assert many[1] == 1
    assert many[0] <= 17


def test_a_case_that_comes_as_fhir_costs_the_same_statements_whatever_its_length(
    new_intake: Callable[[], Intake],
) -> None:
    def sent(more: int) -> tuple[int, int]:
        case = partner.case()
        case += [{**case[7], "effectiveDateTime": f"2026-03-01T05:{minute:02}:00Z"} for minute in range(more)]
        intake = new_intake()
        return cost(intake, lambda: intake.transaction(request(), partner.transaction(case)))

    assert sent(0)[0] == sent(50)[0] <= 48  # one of them puts the look for what the case asks for
    assert sent(0)[1] == 1


def test_a_transaction_is_parsed_once_and_no_resource_is_written_out_anew(
    intake: Intake, monkeypatch: pytest.MonkeyPatch
) -> None:
    calls = {"parse": 0, "dump": 0}
    for module in ("exchanged", "incoming", "leading", "patching", "placing", "resources", "transaction"):
        for name, plain in (("parse", r4.parse), ("dump", r4.dump)):

            def counted(*args: Any, _plain: Any = plain, _name: str = name, **rest: Any) -> Any:
                calls[_name] += 1
                return _plain(*args, **rest)

            monkeypatch.setattr(f"fhirmod.intake.{module}.{name}", counted, raising=False)
    written, _ = intake.transaction(request(), partner.transaction())
    assert calls == {"parse": 1, "dump": 0}
    [pressure] = [one.reference for one in written if b"85354-9" in (one.version.body or b"")]  # type: ignore[union-attr]
    id_ = pressure.removeprefix("Observation/")
    text = stored(intake, "Observation", id_)
    intake.update(request(), "Observation", id_, text.replace(b"92", b"94"))
    assert calls == {"parse": 3, "dump": 0}  # what came, and what stands, to see whether it says something else
    intake.patch(request(), "Observation", id_, [{"op": "add", "path": "/note", "value": [{"text": "x"}]}])
    assert calls == {"parse": 5, "dump": 1}  # what stands, once to patch and once to compare; the result once
