"""Published results reproduced. Each row names its source; how far each was read stands in `how`."""

import pytest

from fhirmod.errors import NotComputableError
from fhirmod.registry import risk_ratio, share

NATHAN = "Nathan HL et al., BJOG 2015;122:268-275 (read)"
DUMONT = "Dumont A et al., BMJ Open 2017;7:e016590 (read)"
ANGER = "Anger HA et al. 2019, stepped wedge (read)"

INTERVALS = [
    (3, 12, 25.0, 5.5, 57.2, NATHAN),
    (96, 221, 43.4, 36.8, 50.3, NATHAN),
    (216, 221, 97.7, 94.8, 99.3, NATHAN),
]
SHARES = [
    (189, 201, 94.0, "BMC Pregnancy Childbirth 2018, 10.1186/s12884-018-1808-z (read)"),
    (156, 189, 82.5, "BMC Pregnancy Childbirth 2018, 10.1186/s12884-018-1808-z (read)"),
    (6, 57, 10.5, DUMONT),
    (1, 59, 1.7, DUMONT),
    (18, 23, 78.3, "condom-catheter series 2016; 78.26, printed 78.2 (truncated there) (read)"),
]


@pytest.mark.parametrize(("count", "of", "value", "low", "high", "source"), INTERVALS)
def test_exact_intervals_are_the_published_ones(
    count: int, of: int, value: float, low: float, high: float, source: str
) -> None:
    assert [round(100 * part, 1) for part in share(count, of)[2:]] == [value, low, high], source


@pytest.mark.parametrize(("count", "of", "value", "source"), SHARES)
def test_shares_are_the_published_ones(count: int, of: int, value: float, source: str) -> None:
    assert round(100 * share(count, of).value, 1) == value, source


def test_the_risk_ratio_by_the_log_method_is_the_published_one() -> None:
    assert [round(part, 2) for part in risk_ratio(9, 57, 4, 59)] == [2.33, 0.76, 7.14], DUMONT


def test_a_crude_ratio_is_not_the_published_adjusted_one() -> None:
    crude = risk_ratio(37, 31_928, 19, 28_183).value
    assert round(crude, 2) == 1.72, ANGER  # the published 4.08 is adjusted


def test_rates_per_ten_thousand_are_the_published_ones() -> None:
    rates = [round(10_000 * share(*counts).value, 1) for counts in ((19, 28_183), (37, 31_928))]
    assert rates == [6.7, 11.6], ANGER


@pytest.mark.parametrize("call", [lambda: share(1, 0), lambda: share(3, 2), lambda: risk_ratio(0, 5, 1, 5)])
def test_what_cannot_be_computed_is_refused_with_what_was_got(call) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(NotComputableError, match="got"):
        call()
