"""Scenario 1, minute by minute: the expected numbers were worked out outside this project (scenarios, arithmetic)."""

from decimal import Decimal

import pytest

from fhirmod.compute import MEASURES, Why
from tests.authorities.scenarios import straightforward
from tests.compute.case import seen

CASE = straightforward()


def test_loss_before_placement_counts_the_drape_once() -> None:
    loss = CASE.state("02:49").loss
    assert seen(loss.measured.ml, loss.visual.ml) == (1100, 200)


def test_loss_at_the_end_is_1160_measured_with_200_visual_apart() -> None:
    loss = CASE.state("12:00").loss
    assert seen(loss.measured.ml, loss.visual.ml, loss.since_placement.ml) == (1160, 200, 60)
    assert loss.drain.ml is Why.NOT_APPLICABLE
    assert [seen(phase.name, phase.measured.ml) for phase in loss.phases][:2] == [
        ("before-balloon", 1100),
        ("balloon-1-in", 60),
    ]


def test_classes_of_1160() -> None:
    words = {one.scheme: one.word for one in CASE.state("12:00").loss_classes if one.scope.startswith("measured,")}
    assert words == {
        "who-2012": "severe",
        "who-2025": "pph",
        "acog-2017": "pph",
        "rcog-2016": "major-moderate",
    }


def test_the_first_set_of_vital_signs() -> None:
    signs = CASE.state("02:46").haemodynamics
    assert signs.shock_index.value == Decimal("1.348")
    assert [one.reached for one in signs.thresholds] == [True, False, False]
    assert seen(signs.mean_arterial_pressure, signs.pulse_pressure, signs.pressure.value) == (64, 42, "92/50")


def test_the_later_set_of_vital_signs() -> None:
    assert CASE.state("05:00").haemodynamics.shock_index.value == Decimal("0.907")


@pytest.mark.parametrize(
    ("name", "minutes"), [("birth-to-txa-1", 25), ("decision-to-placement", 6), ("birth-to-placement", 40)]
)
def test_timings(name: str, minutes: int) -> None:
    assert CASE.state("12:00").timing(name).minutes == minutes


@pytest.mark.parametrize(
    ("clock", "word", "first_reduced", "first_stop"),
    [
        ("02:51", "not-recorded", "not-recorded", "not-recorded"),
        ("02:55", "not-recorded", "not-recorded", "not-recorded"),
        ("02:56", "reduced", 4, "not-recorded"),
        ("02:58", "reduced", 4, "not-recorded"),
        ("02:59", "stopped", 4, 7),
        ("12:00", "stopped", 4, 7),
    ],
)
def test_bleeding_minute_by_minute(clock: str, word: str, first_reduced: object, first_stop: object) -> None:
    state = CASE.state(clock)
    stop = state.balloons[0].stop
    assert state.axes.bleeding.word == word
    assert seen(stop.first_reduced_min, stop.time_to_first_stop_min) == (first_reduced, first_stop)


def test_the_stop_came_at_300_ml_and_held_until_let_down() -> None:
    stop = CASE.state("12:00").balloons[0].stop
    assert seen(stop.volume_at_stop_ml, stop.held, stop.bleeding_at_15_min) == (
        300,
        "until-let-down",
        "stopped",
    )


@pytest.mark.parametrize(
    ("clock", "ml"),
    [
        ("02:51", 0),
        ("02:52", 50),
        ("02:54", 150),
        ("02:57", 300),
        ("11:00", 225),
        ("11:50", 15),
        ("11:52", 0),
    ],
)
def test_recorded_volume_minute_by_minute(clock: str, ml: int) -> None:
    volume = CASE.state(clock).balloons[0].cavity.volume
    assert volume.ml == ml
    assert volume.certainty == ("by-state" if clock == "11:52" else "known")


@pytest.mark.parametrize(
    ("clock", "word"),
    [
        ("02:40", "none"), ("02:50", "filling"), ("02:55", "filling"), ("02:58", "filling"), ("02:59", "in"), ("10:59", "in"),
        ("11:00", "part-emptied"), ("11:51", "part-emptied"), ("11:52", "removed"),
    ],
)  # fmt: skip
def test_the_balloon_axis_minute_by_minute(clock: str, word: str) -> None:
    assert CASE.state(clock).axes.balloon.word == word


@pytest.mark.parametrize(
    ("clock", "word"),
    [
        ("03:00", "none"),
        ("11:00", "running 1"),
        ("11:44", "running 1"),
        ("11:45", "no-bleeding-seen"),
        ("12:00", "no-bleeding-seen"),
    ],
)
def test_the_trial_axis_minute_by_minute(clock: str, word: str) -> None:
    assert CASE.state(clock).axes.trial.word == word


def test_the_first_two_hours_of_watch() -> None:
    stretch = CASE.state("04:57").watch.stretches[0]
    assert stretch.name == "first-two-hours"
    assert seen(stretch.covered_min, stretch.minutes, stretch.covered_percent) == (100, 120, Decimal("83.3"))
    assert stretch.longest_gap_min == 38
    assert CASE.state("12:00").watch.stretches[0].covered_min == 100


def test_at_0420_the_round_is_overdue() -> None:
    watch = CASE.state("04:20").watch
    assert watch.last_full_round == CASE.moment("03:52")
    assert watch.due == CASE.moment("04:07")
    assert watch.overdue
    assert watch.overdue_since == CASE.moment("04:12")


def test_at_0412_it_is_due_but_not_overdue() -> None:
    watch = CASE.state("04:12").watch
    assert seen(watch.due, watch.overdue, watch.overdue_since) == (CASE.moment("04:07"), False, Why.NOT_YET)


def test_reconciliation_shows_the_difference_without_a_verdict() -> None:
    balloon = CASE.state("12:00").balloons[0]
    cavity, retention = balloon.cavity, balloon.retention
    assert seen(cavity.total_in_ml, cavity.total_out_ml) == (300, 285)
    assert seen(cavity.reconciliation.difference_ml, cavity.reconciliation.percent) == (15, 5)
    assert cavity.reconciliation.verdict.word == "no-verdict"
    assert seen(retention.total_in_ml, retention.total_out_ml, retention.reconciliation.difference_ml) == (
        15,
        15,
        0,
    )


def test_dwell_and_the_watch_after_removal() -> None:
    state = CASE.state("12:00")
    assert state.balloons[0].dwell.minutes == 9 * 60 + 2
    assert seen(state.watch.phase, state.watch.due) == ("after-removal", CASE.moment("12:07"))
    assert CASE.state("14:00").watch.phase == "none"


def test_the_stored_measures() -> None:
    standing = CASE.episode.standing()
    values = {measure.key: [value for _, value in measure.of(standing)] for measure in MEASURES}
    assert values == {
        "balloon-volume": [0],
        "balloon-total-in": [300],
        "balloon-total-out": [285],
        "balloon-dwell": [542],
        "time-to-first-stop": [7],
        "blood-loss-measured": [1160],
        "blood-loss-visual": [200],
        "blood-loss-since-placement": [60],
        "packs-in": [],
        "packs-out": [],
    }
