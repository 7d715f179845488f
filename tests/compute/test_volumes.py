"""What is known of a balloon's volume; source of the meanings: common practice, no published source."""

from typing import Any

import pytest

from tests.compute.case import Case, record_codes, seen


def placed(**facts: Any) -> Case:
    case = Case()
    case.at("02:00", "placement", **facts)
    return case


def volume(case: Case, clock: str = "04:00") -> tuple[object, ...]:
    found = case.state(clock).balloons[0].cavity.volume
    return seen(found.ml, found.certainty, found.last_recorded_ml)


def test_syringes_with_a_size_are_millilitres() -> None:
    case = placed()
    case.at("02:01", "fill", syringes=4, syringe_ml=50)
    assert volume(case) == (200, "known", 200)


def test_syringes_without_a_size_leave_a_lower_bound() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=100)
    case.at("02:02", "fill", syringes=2)
    assert volume(case) == (100, "at-least", 100)


def test_an_unmeasured_fill_is_a_reason_not_zero() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml={"absent": "not-known"})
    assert volume(case) == ("not-known", "not-known", "not-known")
    case.at("02:02", "fill", volume_ml=100)
    assert volume(case) == (100, "at-least", 100)


@pytest.mark.parametrize("problem", ["leak", "burst", "displaced", "unmeasured-drainage", "unintended-deflation"])
def test_after_trouble_the_volume_is_not_reliable(problem: str) -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:30", "device-problem", problem=problem)
    assert volume(case) == ("not-reliable", "not-reliable", 300)


def test_a_problem_of_another_sort_changes_nothing() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:30", "device-problem", problem="difficult-to-insert")
    assert volume(case) == (300, "known", 300)


def test_a_volume_seen_after_trouble_is_known_again() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:30", "device-problem", problem="leak")
    case.at("02:40", "volume-stated", volume_ml=250, how="seen")
    assert volume(case) == (250, "known", 250)


def test_an_unmeasured_withdrawal_makes_the_sum_unreliable() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:30", "withdrawal", purpose="pain")
    assert volume(case) == ("not-reliable", "not-reliable", 300)


def test_she_arrived_with_a_balloon_of_unknown_volume() -> None:
    case = Case()
    case.at("02:00", "opening", facility={"id": "f"}, arrived_with_balloon="yes")
    assert volume(case) == ("not-known", "not-known", "not-known")
    state = case.state("04:00")
    assert state.axes.balloon.word == "in"
    assert state.balloons[0].dwell.minutes == "not-known"
    case.at("02:10", "volume-stated", volume_ml=350, how="told")
    case.at("02:20", "fill", volume_ml=50)
    assert volume(case) == (400, "known", 400)


def test_a_placement_elsewhere_is_the_balloon_she_arrived_with() -> None:
    case = Case()
    case.at("02:00", "opening", facility={"id": "f"}, arrived_with_balloon="yes")
    case.at("02:10", "placement", elsewhere="other-facility")
    (balloon,) = case.state("04:00").balloons
    assert balloon.elsewhere


def test_a_stated_volume_that_differs_is_a_finding() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:40", "volume-stated", volume_ml=250, how="seen")
    assert record_codes(case.state("04:00")) == ["record-stated-volume-differs"]


def test_a_lower_bound_that_is_already_known_changes_nothing() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:40", "volume-stated", volume_ml=250, certainty="at-least", how="told")
    assert volume(case) == (300, "known", 300)


def test_above_the_label_the_value_is_kept() -> None:
    case = Case()
    case.at("01:50", "balloon-preparation", label_max_ml=500)
    case.at("02:00", "placement")
    case.at("02:10", "fill", volume_ml=520)
    balloon = case.state("04:00").balloons[0]
    assert seen(balloon.cavity.volume.ml, balloon.over_label_ml, balloon.facts["label_max_ml"]) == (520, 20, 500)


def test_compartments_never_cross() -> None:
    case = placed(retention="used")
    case.at("02:01", "fill", volume_ml=300)
    case.at("02:02", "fill", volume_ml=15, compartment="retention")
    balloon = case.state("04:00").balloons[0]
    assert seen(balloon.cavity.volume.ml, balloon.retention.volume.ml) == (300, 15)


def test_measured_after_it_came_out_still_reconciles() -> None:
    case = placed()
    case.at("02:01", "fill", volume_ml=300)
    case.at("08:00", "removal", how="removed")
    case.at("08:02", "withdrawal", volume_ml=290, purpose="emptying")
    assert case.state("09:00").balloons[0].cavity.reconciliation.difference_ml == 10


def test_a_second_balloon_without_the_first_out_leaves_its_fate_not_known() -> None:
    case = placed()
    case.at("03:00", "placement")
    state = case.state("04:00")
    assert [one.state for one in state.balloons] == ["fate-not-known", "filling"]
    assert record_codes(state) == ["record-balloon-fate-not-known"]


def test_a_fill_without_a_balloon_is_a_finding() -> None:
    case = Case()
    case.at("02:00", "fill", volume_ml=50)
    assert record_codes(case.state("04:00")) == ["record-no-balloon"]


def test_a_correction_of_the_placement_keeps_its_fills() -> None:
    case = Case()
    first = case.at("02:00", "placement")
    case.at("02:05", "fill", volume_ml=100, placement=first)
    second = case.at("02:01", "placement", corrects=first, reason="a slip")
    case.at("02:02", "placement", corrects=second, reason="another")
    (balloon,) = case.state("04:00").balloons
    assert balloon.cavity.volume.ml == 100
    assert balloon.placed.at == case.moment("02:02")


@pytest.mark.parametrize(
    ("lumen", "said"),
    [
        ("no", "not-applicable"),
        ("yes", "not-recorded"),
        ({"absent": "not-known"}, "not-recorded"),
        (None, "not-recorded"),
    ],
)
def test_without_a_drain_lumen_loss_through_it_does_not_apply(lumen: object, said: str) -> None:
    case = placed(**({} if lumen is None else {"drain_lumen": lumen}))
    assert case.state("04:00").loss.drain.ml == said
