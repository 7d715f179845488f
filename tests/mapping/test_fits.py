"""What a reader that knows none of our extensions sees: R4's own elements say what matters.

Source: HL7 FHIR R4 consent-state-codes (rejected), medication-admin-status (stopped), vitalspanel (members are vital
signs).
"""

from typing import Any

import pytest

from fhirmod.episode import read_entry
from fhirmod.mapping import Context, images
from fhirmod.r4 import check, dump, parse

CONTEXT = Context("Patient/1", "Procedure/anchor", "Encounter/e")
ID = "00000000-0000-4000-8000-0000000000aa"
OTHER = "00000000-0000-4000-8000-0000000000bb"


def made(kind: str, *, withdrawn: bool = False, **fields: Any) -> dict[str, Any]:
    told = {"kind": kind, "id": ID, "at": "2026-03-01T02:00:00Z", "recorded_at": "2026-03-01T02:01:00Z", **fields}
    found = images(read_entry(told), CONTEXT, root=ID, withdrawn=withdrawn)
    for one in found:
        assert [finding for finding in check(parse(dump(one.body))) if finding.refuses] == []
    return {one.id.partition(".")[2]: one.body for one in found}


@pytest.mark.parametrize(
    ("answer", "withdrawn", "status", "type_"),
    [
        ("given", False, "active", None),
        ("emergency", False, "active", None),
        ("refused", False, "rejected", "deny"),
        ("refused", True, "entered-in-error", "deny"),
    ],
)
def test_a_refusal_is_no_active_consent(answer: str, withdrawn: bool, status: str, type_: str | None) -> None:
    consent = made("consent", answer=answer, withdrawn=withdrawn)["consent"]
    assert (consent["status"], consent["provision"].get("type")) == (status, type_)


@pytest.mark.parametrize(("step", "status"), [("start", "completed"), ("rate", "completed"), ("stop", "stopped")])
def test_the_end_of_an_infusion_is_not_one_more_given(step: str, status: str) -> None:
    assert made("infusion", infusion="oxytocin", step=step, drug="oxytocin")["infusion"]["status"] == status


def test_a_set_with_more_than_vital_signs_is_a_panel_of_our_own() -> None:
    signs: dict[str, Any] = {"pulse_per_min": 96, "systolic_mmhg": 104, "diastolic_mmhg": 62}
    plain = made("vital-signs", **signs)
    assert [one["reference"].partition(".")[2] for one in plain["vital-signs-panel"]["hasMember"]] == [
        "heart-rate", "blood-pressure",
    ]  # fmt: skip
    mixed = made("vital-signs", **signs, mental_state="alert")
    assert "vital-signs-panel" not in mixed
    members = [one["reference"].partition(".")[2] for one in mixed["round"]["hasMember"]]
    assert members == ["heart-rate", "blood-pressure", "mental-state"]
    assert not any("hl7.org" in one for one in mixed["round"]["meta"]["profile"])
    assert set(made("vital-signs", mental_state="alert")) == {"mental-state"}


def test_a_placement_names_both_the_device_that_was_prepared_and_its_own() -> None:
    both = made("placement", preparation=OTHER, size="M")
    devices = [one["manipulated"]["reference"] for one in both["placement"]["focalDevice"]]
    assert devices == [f"Device/{OTHER}.device", f"Device/{ID}.device"]
    assert [
        one["manipulated"]["reference"] for one in made("placement", preparation=OTHER)["placement"]["focalDevice"]
    ] == [f"Device/{OTHER}.device"]
    assert "device" in made("placement")
