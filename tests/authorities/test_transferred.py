"""Scenario 2: the expected numbers were worked out outside this project (scenarios, arithmetic)."""

from datetime import datetime
from decimal import Decimal

import pytest

from fhirmod.compute import MEASURES
from tests.authorities.scenarios import transferred
from tests.compute.case import record_codes, seen

CASE = transferred()
END = "+1 09:00"


@pytest.mark.parametrize(
    ("clock", "measured", "drain"),
    [
        ("13:39", 950, "not-recorded"), ("15:00", 1070, 120), ("16:50", 1130, 180), ("17:00", 1130, 180),
        ("19:00", 1170, 220), ("+1 07:35", 1470, 220), ("+1 08:10", 1820, 220), (END, 1820, 220),
    ],
)  # fmt: skip
def test_loss_minute_by_minute(clock: str, measured: int, drain: object) -> None:
    loss = CASE.state(clock).loss
    assert seen(loss.measured.ml, loss.drain.ml) == (measured, drain)


def test_loss_after_placement_by_outlet() -> None:
    phase = next(one for one in CASE.state("+1 08:00").loss.phases if one.name == "balloon-1-in")
    assert {name: one.ml for name, one in phase.outlets.items()} == {"drain": 220, "around": 300}


def test_all_of_it_within_24_h() -> None:
    classes = {one.scheme: one for one in CASE.state("+1 09:00").loss_classes}
    assert seen(classes["rcog-2016"].word, classes["rcog-2016"].ml) == ("major-moderate", 1820)
    assert "rcog-secondary" not in classes


def test_reduced_at_5_and_stopped_at_215_minutes() -> None:
    stop = CASE.state(END).balloons[0].stop
    assert seen(stop.first_reduced_min, stop.time_to_first_stop_min) == (5, 215)
    assert stop.bleeding_at_15_min == "reduced"
    assert CASE.state("14:05").balloons[0].stop.bleeding_at_15_min == "not-yet"
    assert CASE.state("14:10").balloons[0].stop.bleeding_at_15_min == "reduced"


def test_the_gap_of_the_journey() -> None:
    stretch = next(one for one in CASE.state("16:50").watch.stretches if one.name == "balloon-1")
    assert [seen(one.start, one.end, one.minutes, one.uncovered_min) for one in stretch.gaps] == [
        (CASE.moment("15:20"), CASE.moment("16:50"), 90, 70)
    ]
    assert stretch.longest_gap_min == 90


def test_journey_and_acceptance() -> None:
    state = CASE.state(END)
    assert seen(state.timing("journey").minutes, state.timing("arrival-to-acceptance").minutes) == (85, 20)


@pytest.mark.parametrize(
    ("clock", "word", "since"),
    [
        ("15:19", "facility", None), ("15:20", "on-the-way", "15:20"), ("17:04", "on-the-way", "15:20"),
        ("17:05", "accepted-by", "17:05"), (END, "accepted-by", "17:05"),
    ],
)  # fmt: skip
def test_custody_moves_with_acceptance(clock: str, word: str, since: str | None) -> None:
    care = CASE.state(clock).axes.care
    assert care.word == word
    assert since is None or care.since == CASE.moment(since)


def test_the_trail_of_care() -> None:
    trail = CASE.state(END).care
    assert [one.word for one in trail.holders] == ["facility", "on-the-way", "accepted-by"]
    assert trail.accepted_by == "registrar reg-1, receiver"


@pytest.mark.parametrize(
    ("clock", "trial", "balloon", "volume"),
    [
        ("+1 06:59", "none", "in", 280), ("+1 07:00", "running 1", "part-emptied", 140),
        ("+1 07:24", "running 1", "part-emptied", 140), ("+1 07:25", "bleeding-returned", "part-emptied", 140),
        ("+1 07:28", "bleeding-returned", "filling", 280), ("+1 07:43", "bleeding-returned", "in", 280),
        (END, "bleeding-returned", "at-surgery", 0),
    ],
)  # fmt: skip
def test_trial_and_volume_minute_by_minute(clock: str, trial: str, balloon: str, volume: int) -> None:
    state = CASE.state(clock)
    assert seen(state.axes.trial.word, state.axes.balloon.word) == (trial, balloon)
    assert state.balloons[0].cavity.volume.ml == volume


def test_the_trial_is_kept_after_the_refill() -> None:
    (trial,) = CASE.state(END).balloons[0].trials
    assert seen(trial.result, trial.watched_min, trial.let_out_ml) == ("bleeding-returned", 25, 140)


def test_reconciliation_is_not_assessable_and_retention_finds_nothing() -> None:
    state = CASE.state(END)
    balloon = state.balloons[0]
    assert seen(balloon.cavity.total_in_ml, balloon.cavity.total_out_ml) == (420, 140)
    assert balloon.cavity.reconciliation.difference_ml == "not-assessable"
    assert balloon.retention.status == "not-applicable"
    assert record_codes(state) == []
    assert not [one for one in state.findings if "retention" in one.sentence]


def test_a_normal_pressure_with_a_raised_shock_index() -> None:
    signs = CASE.state("+1 07:30").haemodynamics
    assert seen(signs.shock_index.value, signs.mean_arterial_pressure) == (Decimal("0.949"), 86)


def test_decision_to_theatre_and_dwell() -> None:
    state = CASE.state(END)
    assert state.timing("theatre-decision-to-theatre").minutes == 35
    assert state.balloons[0].dwell.minutes == 18 * 60 + 40


@pytest.mark.parametrize(("clock", "still_in"), [("13:50", 2), ("+1 08:20", 1), ("+1 08:39", 1), ("+1 08:40", 0)])
def test_packs_stay_open_until_all_are_out(clock: str, still_in: int) -> None:
    assert CASE.state(clock).packs.open == still_in


def test_oxytocin_is_running() -> None:
    (running,) = CASE.state("14:00").resuscitation.running
    assert seen(running.what, running.for_min) == ("oxytocin", 50)


def test_the_stored_measures() -> None:
    standing = CASE.episode.standing()
    values = {measure.key: [value for _, value in measure.of(standing)] for measure in MEASURES}
    assert values == {
        "balloon-volume": [0],
        "balloon-total-in": [420],
        "balloon-total-out": [140],
        "balloon-dwell": [1120],
        "time-to-first-stop": [215],
        "blood-loss-measured": [1820],
        "blood-loss-visual": [],
        "blood-loss-since-placement": [870],
        "packs-in": [2],
        "packs-out": [2],
    }


def test_the_seven_lines_at_five_past_five() -> None:
    lines = {line.name: {part.name: part.value for part in line.parts} for line in CASE.state("17:05").lines()}
    assert list(lines) == ["balloon", "bleeding", "signs", "loss", "given", "stops", "next"]
    assert lines["balloon"] == {
        "balloon": "in",
        "number": "1",
        "placed": "2026-03-01T13:40+01:00",
        "time in place": "3 h 25 min",
        "recorded in minus out": "280 mL",
        "certainty": "known",
        "packs in": "2",
    }
    assert lines["bleeding"]["bleeding"] == "reduced"
    assert lines["loss"] == {
        "measured": "1130 mL",
        "visual": "not-recorded",
        "measured since placement": "180 mL",
        "note": "concealed blood not included",
    }
    assert lines["given"]["running now"] == "oxytocin (not-recorded)"
    assert lines["given"]["uterotonics given"] == "oxytocin by infusion"
    assert lines["given"]["TXA 1"] == "not-recorded"
    assert lines["next"]["removal window until"] == "2026-03-02T13:40+01:00"
    assert lines["next"]["accepted by"] == "registrar reg-1, receiver"


def test_the_document_has_plain_values_only() -> None:
    def plain(value: object) -> bool:
        if isinstance(value, dict):
            return all(isinstance(name, str) and plain(one) for name, one in value.items())
        if isinstance(value, list):
            return all(map(plain, value))
        return type(value) in (str, bool, int, Decimal)

    document = CASE.state(END).document()
    assert plain(document)
    assert datetime.fromisoformat(document["as_of"]) == CASE.moment(END)
