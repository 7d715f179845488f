"""Patches, by RFC 6902 (its appendix A, told with FHIR names) and http://hl7.org/fhir/R4/fhirpatch.html."""

import copy
from decimal import Decimal
from typing import Any

import pytest

from fhirmod.errors import InvalidError, UnreadableError
from fhirmod.r4 import dump, fhirpath_patch, json_patch, parse

PATIENT: dict[str, Any] = {
    "resourceType": "Patient",
    "name": [{"family": "Invented", "given": ["Ada", "Bea"]}],
    "birthDate": "2000",
    "contact": [{"gender": "other", "name": {"text": "x"}}],
}


def op(kind: str, path: str, **more: Any) -> dict[str, Any]:
    return {"op": kind, "path": path, **more}


@pytest.mark.parametrize(
    ("operations", "path", "expected"),
    [
        ([op("add", "/active", value=True)], ["active"], True),  # A.1
        ([op("add", "/name/0/given/1", value="Cy")], ["name", 0, "given"], ["Ada", "Cy", "Bea"]),  # A.2
        ([op("remove", "/name/0/given/1")], ["name", 0, "given"], ["Ada"]),  # A.4
        ([op("replace", "/birthDate", value="2001")], ["birthDate"], "2001"),  # A.5
        (
            [op("move", "/name/0/given/0", **{"from": "/name/0/given/1"})],
            ["name", 0, "given"],
            ["Bea", "Ada"],
        ),  # A.7
        ([op("test", "/name/0/given/1", value="Bea")], ["name", 0, "given"], ["Ada", "Bea"]),  # A.8
        ([op("add", "/name/0/given/-", value="Cy")], ["name", 0, "given"], ["Ada", "Bea", "Cy"]),  # A.16
        ([op("copy", "/name/1", **{"from": "/name/0"})], ["name", 1, "family"], "Invented"),
    ],
)
def test_json_patch_does_what_the_standard_says(operations: Any, path: list[Any], expected: Any) -> None:
    before = copy.deepcopy(PATIENT)
    node: Any = json_patch(PATIENT, operations)
    for step in path:
        node = node[step]
    assert node == expected
    assert before == PATIENT


def test_json_patch_reads_escaped_pointers() -> None:  # A.14
    assert json_patch({"resourceType": "Basic", "a/b~": 1}, [op("remove", "/a~1b~0")]) == {"resourceType": "Basic"}


@pytest.mark.parametrize(
    "operation",
    [
        op("test", "/birthDate", value="1999"),  # A.9
        op("add", "/communication/0/preferred", value=True),  # A.12
        op("remove", "/active"),
        op("replace", "/active", value=True),
        op("add", "/name/9", value={}),
        op("add", "/name/01", value={}),
        op("move", "/name/0/x", **{"from": "/name"}),
        op("test", "/name/0/given", value=["Bea", "Ada"]),
        op("replace", "", value="x"),
    ],
)
def test_json_patch_that_does_not_apply_changes_nothing(operation: dict[str, Any]) -> None:
    before = copy.deepcopy(PATIENT)
    with pytest.raises(InvalidError):
        json_patch(
            PATIENT,
            [op("add", "/active", value=True) if operation["path"] != "/active" else operation, operation],
        )
    assert before == PATIENT


@pytest.mark.parametrize(
    "document",
    [
        {},
        [5],
        [{"op": "spam", "path": "/a"}],
        [op("add", "a", value=1)],
        [op("add", "/a")],
        [{"op": "remove"}],
    ],
)
def test_what_is_no_json_patch_is_unreadable(document: Any) -> None:
    with pytest.raises(UnreadableError):
        json_patch(PATIENT, document)


def test_equality_is_by_value_and_true_is_not_one() -> None:
    resource = {"resourceType": "Basic", "a": Decimal("1.0"), "b": True}
    assert json_patch(resource, [op("test", "/a", value=1)]) == resource
    with pytest.raises(InvalidError):
        json_patch(resource, [op("test", "/b", value=1)])


def test_digits_survive_a_patch() -> None:
    resource = parse(b'{"resourceType":"Observation","valueQuantity":{"value":1.50}}')
    assert dump(json_patch(resource, parse(b'[{"op":"add","path":"/valueQuantity/unit","value":"m"}]'))).count(b"1.50")


def patch(kind: str, path: str, **parts: Any) -> dict[str, Any]:
    listed: list[dict[str, Any]] = [
        {"name": "type", "valueCode": kind},
        {"name": "path", "valueString": path},
    ]
    listed += [{"name": name, **one} for name, one in parts.items()]
    return {"resourceType": "Parameters", "parameter": [{"name": "operation", "part": listed}]}


def test_fhirpath_add() -> None:
    added = fhirpath_patch(
        PATIENT, patch("add", "Patient", name={"valueString": "gender"}, value={"valueCode": "other"})
    )
    assert added["gender"] == "other"
    added = fhirpath_patch(
        PATIENT, patch("add", "Patient.name[0]", name={"valueString": "given"}, value={"valueString": "Cy"})
    )
    assert added["name"][0]["given"] == ["Ada", "Bea", "Cy"]


def test_fhirpath_add_of_a_choice_and_of_a_nested_element() -> None:
    dead = fhirpath_patch(
        PATIENT, patch("add", "Patient", name={"valueString": "deceased"}, value={"valueDateTime": "2026"})
    )
    assert dead["deceasedDateTime"] == "2026"
    parts = [{"name": "gender", "valueCode": "male"}, {"name": "name", "valueHumanName": {"text": "y"}}]
    known = fhirpath_patch(PATIENT, patch("add", "Patient", name={"valueString": "contact"}, value={"part": parts}))
    assert known["contact"][1] == {"gender": "male", "name": {"text": "y"}}


def test_fhirpath_insert_and_move() -> None:
    path = "Patient.name[0].given"
    inserted = fhirpath_patch(PATIENT, patch("insert", path, index={"valueInteger": 1}, value={"valueString": "Cy"}))
    assert inserted["name"][0]["given"] == ["Ada", "Cy", "Bea"]
    moved = fhirpath_patch(inserted, patch("move", path, source={"valueInteger": 2}, destination={"valueInteger": 0}))
    assert moved["name"][0]["given"] == ["Bea", "Ada", "Cy"]


def test_fhirpath_delete() -> None:
    assert "birthDate" not in fhirpath_patch(PATIENT, patch("delete", "Patient.birthDate"))
    assert fhirpath_patch(PATIENT, patch("delete", "Patient.active")) == PATIENT
    assert "contact" not in fhirpath_patch(PATIENT, patch("delete", "Patient.contact.where(gender='other')"))


def test_fhirpath_replace() -> None:
    replaced = fhirpath_patch(PATIENT, patch("replace", "Patient.contact[0].gender", value={"valueCode": "female"}))
    assert replaced["contact"][0]["gender"] == "female"
    observation = {"resourceType": "Observation", "valueString": "x"}
    other = fhirpath_patch(observation, patch("replace", "Observation.value", value={"valueInteger": 5}))
    assert other == {"resourceType": "Observation", "valueInteger": 5}


@pytest.mark.parametrize(
    "document",
    [
        patch("add", "Patient", name={"valueString": "birthDate"}, value={"valueDate": "2001"}),
        patch("add", "Patient", name={"valueString": "colour"}, value={"valueString": "x"}),
        patch("add", "Patient.photo", name={"valueString": "title"}, value={"valueString": "x"}),
        patch("insert", "Patient.name[0].given", index={"valueInteger": 9}, value={"valueString": "x"}),
        patch("delete", "Patient.name.given"),
        patch("replace", "Patient.gender", value={"valueCode": "other"}),
        patch("move", "Patient.name", source={"valueInteger": 0}, destination={"valueInteger": 3}),
        patch("delete", "Patient.name.given.first()"),
        patch("replace", "Patient", value={"valueString": "x"}),
        patch("add", "Patient", name={"valueString": "deceased"}, value={"valueString": "x"}),
    ],
)
def test_fhirpath_patch_that_does_not_apply_changes_nothing(document: dict[str, Any]) -> None:
    before = copy.deepcopy(PATIENT)
    with pytest.raises(InvalidError):
        fhirpath_patch(PATIENT, document)
    assert before == PATIENT


@pytest.mark.parametrize(
    "document",
    [
        patch("paint", "Patient.name"),
        patch("add", "Patient", value={"valueString": "x"}),
        patch("add", "Patient", name={"valueString": "gender"}),
        {"resourceType": "Parameters", "parameter": [{"name": "other"}]},
    ],
)
def test_what_is_no_fhirpath_patch_is_unreadable(document: dict[str, Any]) -> None:
    with pytest.raises(UnreadableError):
        fhirpath_patch(PATIENT, document)
