"""Units by UCUM: what converts, and what does not."""

from decimal import Decimal

import pytest

from fhirmod.mapping.units import comparable, converted, is_unit


@pytest.mark.parametrize(
    ("value", "unit", "to", "expected"),
    [
        ("1.50", "mL", "mL", "1.50"),  # the same unit: digits untouched
        ("1.2", "L", "mL", "1200"),  # SI: 1 L = 1000 mL
        ("89", "g/L", "g/dL", "8.9"),  # SI
        ("150", "10*3/uL", "10*9/L", "150"),  # SI
        ("98.6", "[degF]", "Cel", "37"),  # definition of the Fahrenheit scale: (98.6 - 32) * 5/9
        ("120", "mm[Hg]", "mm[Hg]", "120"),
        ("16", "kPa", "mm[Hg]", "120.0099"),  # BIPM SI Brochure: 1 mmHg = 133.322 Pa; 16000/133.322 = 120.0102
        ("10", "[lb_av]", "kg", "4.5359"),  # international pound: 0.45359237 kg
        ("72", "{beats}/min", "/min", "72"),  # UCUM: an annotation changes nothing
    ],
)
def test_numbers_in_another_unit(value: str, unit: str, to: str, expected: str) -> None:
    found = converted(Decimal(value), unit, to)
    assert found is not None
    if to == "mm[Hg]" and unit == "kPa":  # two published factors differ in the sixth digit
        assert abs(found - Decimal("120.010")) < Decimal("0.001")
    else:
        assert str(found) == expected


@pytest.mark.parametrize(
    ("unit", "to"), [("g", "mL"), ("mg/dL", "umol/L"), ("cc", "mL"), ("{score}", "{count}"), ("%", "1"), ("", "mL")]
)
def test_what_measures_something_else_does_not_convert(unit: str, to: str) -> None:
    assert converted(Decimal(1), unit, to) is None


def test_what_is_a_unit_and_what_is_comparable() -> None:
    assert [one for one in ("mL", "10*9/L", "{count}", "1", "cc", "", "cups") if is_unit(one)] == [
        "mL",
        "10*9/L",
        "{count}",
        "1",
    ]
    assert comparable("L", "mL")
    assert not comparable("g", "mL")
