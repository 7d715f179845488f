"""What denies a near-miss item: the criterion's own time, known; less than that is not assessable, never "not met".

Source: WHO near-miss criteria (reprint): oliguria < 30 mL/h for 4 h or < 400 mL/24 h; SpO2 < 90 % for 60 min or more, or
PaO2/FiO2 < 200; shock: systolic < 90 mmHg for 60 min or more, pulse >= 120, despite > 2 L.
That a missing input is never a lower answer is this project's rule.
"""

from typing import Any

import pytest

from .case import Case


def status(item: str, *told: tuple[str, str, dict[str, Any]]) -> str:
    case = Case()
    case.at("02:10", "birth")
    for clock, kind, fields in told:
        case.at(clock, kind, **fields)
    [found] = [one for one in case.state("20:00").near_miss.items if one.name == item]
    return str(found.status)


def urine(clock: str, ml: int, minutes: int) -> tuple[str, str, dict[str, Any]]:
    return clock, "urine", {"volume_ml": ml, "over_min": minutes}


def spo2(clock: str, percent: int) -> tuple[str, str, dict[str, Any]]:
    return clock, "vital-signs", {"spo2_percent": percent}


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ([], "not-assessable"),
        ([urine("03:00", 100, 30)], "not-assessable"),
        ([urine("03:00", 100, 30), urine("06:30", 200, 209)], "not-assessable"),  # 3 h 59 min
        ([urine("03:00", 100, 30), urine("06:30", 200, 210)], "not-met"),  # 4 h
        ([urine("05:00", 200, 120), urine("08:00", 200, 120)], "not-assessable"),  # 4 h in all, with a gap of one
        ([urine("07:00", 120, 240)], "not-met"),  # 30 mL/h exactly
        ([urine("07:00", 119, 240)], "met"),
        ([urine("05:00", 200, 120), urine("09:00", 100, 240)], "met"),
    ],
)
def test_oliguria_is_denied_by_four_hours_without_a_gap(told: list[Any], word: str) -> None:
    assert status("oliguria", *told) == word


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ([], "not-assessable"),
        ([spo2("03:00", 98)], "not-assessable"),
        ([spo2("03:00", 85)], "not-assessable"),
        ([spo2("03:00", 98), spo2("03:59", 98)], "not-assessable"),
        ([spo2("03:00", 98), spo2("04:00", 98)], "not-met"),
        ([spo2("03:00", 89), spo2("03:30", 90), spo2("04:00", 89)], "not-met"),
        ([spo2("03:00", 89), spo2("04:00", 89)], "met"),
        ([("03:00", "laboratory", {"pao2_fio2_mmhg": 300})], "not-met"),
        ([("03:00", "laboratory", {"pao2_fio2_mmhg": 300}), spo2("03:00", 85)], "not-assessable"),
        ([("03:00", "laboratory", {"pao2_fio2_mmhg": 199}), spo2("03:00", 98)], "met"),
    ],
)
def test_oxygenation_is_denied_by_sixty_minutes_of_saturations(told: list[Any], word: str) -> None:
    assert status("oxygenation", *told) == word


def pressure(clock: str, systolic: int) -> tuple[str, str, dict[str, Any]]:
    return clock, "vital-signs", {"systolic_mmhg": systolic, "pulse_per_min": 124}


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ([], "not-assessable"),
        ([pressure("03:00", 118)], "not-assessable"),  # one set says nothing of the hours before and after
        ([pressure("03:00", 118), pressure("03:59", 118)], "not-assessable"),
        ([pressure("03:00", 118), pressure("04:00", 118)], "not-met"),
        ([pressure("03:00", 88), pressure("03:30", 90), pressure("04:00", 88)], "not-met"),
        ([pressure("03:00", 88), pressure("04:00", 88)], "not-assessable"),  # no fluid recorded: not "despite 2 L"
    ],
)
def test_shock_is_denied_by_sixty_minutes_of_pressures(told: list[Any], word: str) -> None:
    assert status("shock", *told) == word
