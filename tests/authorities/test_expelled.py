"""Scenario 3: the expected numbers were worked out outside this project (scenarios, arithmetic)."""

from decimal import Decimal

import pytest

from fhirmod.compute import MEASURES, Why
from tests.authorities.scenarios import expelled
from tests.compute.case import seen

CASE = expelled()
END = "+1 10:00"


def test_the_first_balloon_was_expelled_and_its_stop_did_not_hold() -> None:
    first = CASE.state(END).balloons[0]
    assert seen(first.state, first.dwell.minutes) == ("expelled", 45)
    assert seen(first.stop.held, first.stop.held_min) == ("until-expelled", 37)
    assert first.stop.time_to_first_stop_min is Why.DID_NOT_HOLD
    assert seen(first.cavity.volume.ml, first.cavity.volume.certainty) == (0, "by-state")
    assert first.cavity.reconciliation.difference_ml is Why.NOT_APPLICABLE


def test_while_the_first_stop_held_its_time_was_shown() -> None:
    assert CASE.state("21:24").balloons[0].stop.time_to_first_stop_min == 5


def test_the_second_balloon_has_its_own_ledger() -> None:
    second = CASE.state(END).balloons[1]
    assert seen(second.n, second.cavity.peak_ml, second.cavity.total_in_ml, second.over_label_ml) == (
        2,
        400,
        400,
        0,
    )
    assert second.cavity.reconciliation.difference_ml == 5
    assert second.cavity.reconciliation.percent == Decimal("1.25")
    assert second.dwell.minutes == 12 * 60
    assert second.trial == "not-done"


def test_together_in_place_and_the_break_between() -> None:
    first, second = CASE.state(END).balloons
    assert isinstance(first.dwell.minutes, Decimal)
    assert isinstance(second.dwell.minutes, Decimal)
    assert first.dwell.minutes + second.dwell.minutes == 12 * 60 + 45
    assert CASE.state(END).in_place.minutes == 12 * 60 + 45
    assert CASE.state(END).in_place.longest_break_min == 10


@pytest.mark.parametrize(
    ("clock", "word"),
    [
        ("20:45", "filling"),
        ("20:48", "in"),
        ("21:24", "in"),
        ("21:25", "expelled"),
        ("21:35", "filling"),
        ("21:47", "in"),
    ],
)
def test_the_balloon_axis_minute_by_minute(clock: str, word: str) -> None:
    assert CASE.state(clock).axes.balloon.word == word


def test_txa_is_not_recorded_which_is_not_not_given() -> None:
    txa = CASE.state(END).txa
    assert seen(txa.first, txa.second, txa.birth_to_first.minutes) == ("not-recorded",) * 3


def test_retention_is_not_applicable_and_packs_agree() -> None:
    state = CASE.state(END)
    assert {one.retention.status for one in state.balloons} == {"not-applicable"}
    assert seen(state.packs.into, state.packs.out, state.packs.open) == (1, 1, 0)
    assert CASE.state("+1 09:00").packs.open == 1


def test_the_stored_stop_is_that_of_the_second_balloon_only() -> None:
    of = {measure.key: measure.of for measure in MEASURES}
    second = CASE.state(END).balloons[1].placement
    assert list(of["time-to-first-stop"](CASE.episode.standing())) == [(second, Decimal(8))]
