"""What a finding rests on: the source and the limits that fired, with how they are known; not all its rule could use.

Source: SBP < 90 and a state of mind that is not alert are criteria of Mhyre 2014 (reprint); shock index 1.4 is El Ayadi 2016,
from memory; an unrecordable pressure is a state of its own; every 15 min is common practice, no published source.
"""

from typing import Any

import pytest

from fhirmod.episode import Protocol
from fhirmod.errors import Finding
from fhirmod.intake import finding_document
from fhirmod.validation import catalogue, findings
from tests.compute.case import Case

PROTOCOL = Protocol.default()
STEPS = b"""
id = "here"
version = "1"
source = "our round of the wards"
[watch.every_min]
since_fill = [{ from_min = 0, every_min = 15 }, { from_min = 120, every_min = 30 }]
in_transit = { value = 10, source = "our ambulances" }
"""


def placed() -> Case:
    case = Case()
    case.at("02:10", "birth")
    case.at("02:50", "placement")
    case.at("02:52", "fill", volume_ml=300)
    case.round("03:00")
    return case


def only(case: Case, clock: str, code: str, protocol: Protocol = PROTOCOL) -> Finding:
    [found] = [one for one in findings(case.episode, as_of=case.moment(clock), protocol=protocol) if one.code == code]
    return found


@pytest.mark.parametrize(
    ("signs", "key", "parameters", "said"),
    [
        ({"systolic_mmhg": 84, "pulse_per_min": 90}, "MHYRE_2014", ["signs.systolic_below_mmhg"], "below 90;"),
        (
            {"systolic_mmhg": 100, "pulse_per_min": 140},
            "EL_AYADI_2016",
            ["signs.shock_index"],
            "shock index of 1.4 (from memory of its source) or above;",
        ),
        ({"systolic_mmhg": {"absent": "could-not-measure"}}, "PRACTICE", [], "pressure not recordable;"),
        ({"mental_state": "confused"}, "MHYRE_2014", [], "mental state confused;"),
        (
            {"systolic_mmhg": 80, "pulse_per_min": 130},
            "MHYRE_2014",
            ["signs.systolic_below_mmhg", "signs.shock_index"],
            "below 90 and shock index of 1.4 (from memory of its source) or above;",
        ),
    ],
)
def test_a_sign_of_shock_has_the_source_of_the_limit_it_crossed(
    signs: dict[str, Any], key: str, parameters: list[str], said: str
) -> None:
    case = placed()
    case.at("03:10", "vital-signs", **signs)
    found = only(case, "03:11", "shock-signs")
    assert found.source is not None
    assert found.source.key == key
    assert [one.partition(" ")[0] for one in found.parameters] == parameters
    assert said in found.sentence


def test_what_began_first_gives_the_source() -> None:
    case = placed()
    case.at("03:05", "vital-signs", systolic_mmhg=100, pulse_per_min=140)
    case.at("03:10", "vital-signs", systolic_mmhg=88, pulse_per_min=140)
    found = only(case, "03:11", "shock-signs")
    assert found.source is not None
    assert found.source.key == "EL_AYADI_2016"
    assert found.since == case.moment("03:05")


def test_the_mark_is_shown_with_every_source() -> None:
    case = placed()
    case.at("03:10", "vital-signs", systolic_mmhg=100, pulse_per_min=140)
    document = finding_document(only(case, "03:11", "shock-signs"))
    assert document["source"].endswith("[memory]")
    assert [one[-9:] for one in document["parameters"]] == ["[memory])"]
    [shown] = [one for one in case.state("03:11").document()["findings"] if one["code"] == "shock-signs"]
    assert (shown["source"], shown["parameters"]) == (document["source"], document["parameters"])


def test_a_limit_from_memory_that_may_interrupt_is_one_of_two() -> None:
    """Both stand in the clinical facts with their mark: shock index 1.4, and 5 to 15 min for the tamponade test."""
    names = {name for rule in catalogue() if rule.tier == "now" for name in rule.parameters}
    known = [PROTOCOL.of(name) for name in names if name in PROTOCOL.thresholds]
    memory = {one.name for one in known if one.source.how_known == "memory"}
    assert memory == {"signs.shock_index", "decision.tamponade_high_min"}


@pytest.mark.parametrize(
    ("clock", "parameter"),
    [
        ("03:41", "watch.every_min.since_fill 15 min (our round of the wards [practice])"),
        ("06:07", "watch.every_min.since_fill 30 min (our round of the wards [practice])"),
        ("07:00", "watch.every_min.in_transit 10 min (our ambulances [practice])"),
        ("09:00", "watch.every_min.after_removal 15 min (common practice, no published source [practice])"),
    ],
)
def test_a_lapsed_watch_names_the_phase_that_asks_for_the_round_with_its_value_and_source(
    clock: str, parameter: str
) -> None:
    case = placed()
    if clock >= "06:07":
        case.round("04:56")
    if clock >= "07:00":
        case.round("06:10")
        case.at("06:15", "transfer", step="departed", to_facility={"id": "big"})
    if clock >= "09:00":
        case.at("07:30", "transfer", step="arrived")
        case.at("08:00", "removal", how="removed", senior_present="yes")
    found = only(case, clock, "watch-lapsed", Protocol.read(STEPS))
    every = parameter.split()[1]
    assert found.parameters == (
        parameter,
        "watch.tolerance_min 5 min (common practice, no published source [practice])",
    )
    assert found.source is not None
    assert found.source.marked in parameter
    assert found.sentence.endswith(f"one every {every} min.")


def test_a_round_asked_for_in_a_phase_that_is_over_names_that_phase() -> None:
    case = placed()
    case.round("05:25")
    case.at("05:30", "bleeding-response", response="returned")
    case.at("05:31", "decision", choice="theatre")
    case.round("07:25")  # five minutes before the watch after the worsening ends
    found = only(case, "09:00", "watch-lapsed", Protocol.read(STEPS))
    assert found.parameters[0].startswith("watch.every_min.after_worsening 15 min")
