"""The schemas and the models agree: what one reads the other reads, but for what `UNSTATED` lists."""

import json
import random
from decimal import Decimal
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from fhirmod.episode import KINDS, UNSTATED, entry_schema, read_entry
from fhirmod.errors import InvalidError
from tests.any_entry import any_entry

SOME = settings(
    max_examples=5,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)
ODD: list[Any] = [
    None, True, False, 0, -1, 5, 10**6, Decimal("1.5"), Decimal("5.0"), "", " ", "5", "yes", "other", "abc\n", "\t", "\x00",
    "2026-02-30", "2026-02-29", "2028-02-29", "2026-03-01", "2026-03-01T02:10:00", "2026-03-01T02:10:00Z", "2026-03-01T24:00:00Z",
    "2026-03-01T02:10:60Z", "2026-03-01T02:10:00+14:30", "1899-12-31", "\uff12\uff10\uff12\uff16-03-01", "collector-total", "emptied", [], ["tone"], {},
    {"absent": "not-known"}, {"absent": "never"}, {"absent": "not-done", "why": None}, {"earliest": "2026-03-01", "latest": "2026-03-02"},
    {"plus_minus_min": 5, "earliest": None}, {"plus_minus_min": None}, {"id": "x", "role": None}, {"value": 1, "unit": "g"},
    {"label": "bed 3"}, {"wet_g": 1, "dry_g_each": 1, "items": Decimal("1.0")}, "00000000-0000-4000-8000-000000000001",
    "00000000-0000-4000-8000-00000000000A",
]  # fmt: skip


@cache
def validator(kind: str) -> Draft202012Validator:
    schema = entry_schema(kind)
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


def model_reads(document: Any) -> bool:
    try:
        read_entry(document)
    except InvalidError:
        return False
    return True


def schema_reads(kind: str, document: Any) -> bool:
    return validator(kind).is_valid(plain(document))


def plain(value: Any) -> Any:
    """Return the document as a JSON reader without exact numbers gives it."""
    return json.loads(json.dumps(value, default=float))


@pytest.mark.parametrize("kind", KINDS)
@SOME
@given(data=st.data(), seed=st.integers(0, 2**32))
def test_what_one_reads_the_other_reads(kind: str, data: Any, seed: int) -> None:
    first, second = (data.draw(any_entry(kind)).document() for _ in range(2))
    assert schema_reads(kind, first), [one.message for one in validator(kind).iter_errors(plain(first))]
    dice = random.Random(seed)
    fields = [*KINDS[kind].model_fields, "unknown_field"]
    for _ in range(40):
        mixed = [(name, dice.choice([first, first, second, {}]).get(name)) for name in fields]
        changed = {name: value for name, value in mixed if value is not None}
        changed |= {"id": first["id"], "at": first["at"], "recorded_at": first["recorded_at"], "kind": kind}
        changed |= {name: dice.choice(ODD) for name in dice.sample(fields, dice.randint(0, 2))}
        if changed["kind"] == kind and changed.get("corrects") != changed["id"]:
            assert schema_reads(kind, changed) == model_reads(changed), changed


@pytest.mark.parametrize(
    ("why", "change"),
    [
        ("own-id", {"corrects": "00000000-0000-4000-8000-000000000001", "reason": "a slip"}),
        ("range-order", {"at_range": {"earliest": "2026-03-01T03:00:00Z", "latest": "2026-03-01T02:00:00Z"}}),
        ("digits", {"volume_ml": 10**20}),
    ],
)
def test_what_the_schema_cannot_say_is_listed(why: str, change: dict[str, Any]) -> None:
    document = {
        "kind": "fill",
        "id": "00000000-0000-4000-8000-000000000001",
        "at": "2026-03-01T02:10:00Z",
        "recorded_at": "2026-03-01T02:10:00Z",
    }
    assert why in UNSTATED
    assert (schema_reads("fill", document), model_reads(document)) == (True, True)
    assert (schema_reads("fill", document | change), model_reads(document | change)) == (True, False)


def test_every_number_of_a_schema_has_a_unit() -> None:
    def numbers(schema: Any) -> list[Any]:
        if isinstance(schema, list):
            return [found for one in schema for found in numbers(one)]
        if not isinstance(schema, dict):
            return []
        own = [schema] if schema.get("type") in ("number", "integer") and len(schema) > 1 else []
        return own + [found for one in schema.values() for found in numbers(one)]

    for kind in KINDS:
        assert all("unit" in one for one in numbers(entry_schema(kind)))


@pytest.mark.parametrize(
    "text", ["2028-02-29", "2000-02-29", "2400-02-29", "2026-04-30", "2026-12-31", "1900-02-28", "2026-11-30"]
)
def test_a_real_date_is_read(text: str) -> None:
    assert (
        validator("fill")
        .evolve(schema=entry_schema("fill")["properties"]["at"] | {"$defs": entry_schema("fill")["$defs"]})
        .is_valid(text)
    )


@pytest.mark.parametrize(
    "text", ["2026-02-29", "1900-02-29", "2100-02-29", "2026-04-31", "2026-13-01", "2026-00-10", "2026-01-00"]
)
def test_a_date_that_no_calendar_has_is_not(text: str) -> None:
    document = {
        "kind": "fill",
        "id": "00000000-0000-4000-8000-000000000001",
        "at": text,
        "recorded_at": "2026-03-01T02:10:00Z",
    }
    assert (schema_reads("fill", document), model_reads(document)) == (False, False)


@pytest.mark.parametrize(
    ("kind", "fields", "reads"),
    [
        ("medication", {"drug": "other"}, False),
        ("medication", {"drug": "other", "drug_text": None}, False),
        ("medication", {"drug": "other", "drug_text": "antacid"}, True),
        ("laboratory", {}, False),
        ("laboratory", {"ph": None}, False),
        ("laboratory", {"ph": {"absent": "not-done"}}, True),
        ("vital-signs", {"palpated": False}, False),
        ("vital-signs", {"palpated": True}, True),
        ("vital-signs", {"palpated": True, "diastolic_mmhg": 50}, False),
        ("urine", {"reading": "collector-total", "volume_ml": 5}, False),
        ("blood-loss", {"method": "drape"}, False),
        ("blood-loss", {"method": "drape", "emptied": True}, True),
        ("blood-loss", {"method": "drape", "volume_ml": 5, "weighed": {"wet_g": 5, "dry_g_each": 1, "items": 1}}, False),
        ("birth", {"baby": Decimal("2.0")}, True),
        ("birth", {"baby": Decimal("2.5")}, False),
        ("birth", {"corrects": "00000000-0000-4000-8000-000000000002"}, False),
        ("birth", {"corrects": None, "reason": None}, True),
        ("retraction", {"retracts": "00000000-0000-4000-8000-000000000002"}, False),
        ("opening", {"facility": {"id": "f"}, "woman": {"identifier_system": "urn:oid:2.999", "label": "x"}}, False),
        ("opening", {"facility": {"id": "f"}, "woman": {}}, False),
        ("birth", {"recorded_at": "2026-03-01"}, False),
        ("birth", {"at_range": {"earliest": "2026-03-01", "latest": "2026-03-02"}}, False),
    ],
)  # fmt: skip
def test_each_rule_between_fields(kind: str, fields: dict[str, Any], reads: bool) -> None:
    moment = "2026-03-01T02:10:00Z"
    head = {"kind": kind, "id": "00000000-0000-4000-8000-000000000001", "at": moment, "recorded_at": moment}
    assert (schema_reads(kind, head | fields), model_reads(head | fields)) == (reads, reads)
