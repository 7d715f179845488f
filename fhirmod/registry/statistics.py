"""Shares and risk ratios with their intervals, by scipy; unrounded, so that each reader rounds once."""

from typing import NamedTuple

from scipy.stats import binomtest
from scipy.stats.contingency import relative_risk

from fhirmod.errors import NotComputableError


class Share(NamedTuple):
    """A proportion with its exact interval, and the counts it came from."""

    events: int
    total: int
    value: float
    low: float
    high: float


class Ratio(NamedTuple):
    """A crude risk ratio with its interval; never to be shown as adjusted."""

    value: float
    low: float
    high: float


def share(count: int, of: int, *, confidence: float = 0.95) -> Share:
    """Return count over of, with its exact (Clopper-Pearson) interval.

    Units:  proportions between 0 and 1, not percent.
    Errors: NotComputableError if there are none to count among, or the count is not among them.
    Source: Clopper and Pearson 1934 as scipy computes it (`binomtest(...).proportion_ci("exact")`).

    >>> [round(100 * x, 1) for x in share(3, 12)[2:]]
    [25.0, 5.5, 57.2]
    """
    if of <= 0 or not 0 <= count <= of:
        raise NotComputableError(f"A share needs 0 <= count <= of and of > 0; got {count} of {of}.")
    interval = binomtest(count, of).proportion_ci(confidence, method="exact")
    return Share(count, of, count / of, float(interval.low), float(interval.high))


def risk_ratio(exposed: int, of_exposed: int, unexposed: int, of_unexposed: int, *, confidence: float = 0.95) -> Ratio:
    """Return the risk among the exposed over that among the unexposed, with its interval by the log method.

    Units:  plain ratios.
    Errors: NotComputableError if a group is empty, a count is not among its group, or a risk is zero.
    Source: Katz et al. 1978 (log method) as scipy computes it (`relative_risk(...).confidence_interval`).

    >>> [round(x, 2) for x in risk_ratio(9, 57, 4, 59)]
    [2.33, 0.76, 7.14]
    """
    for count, of in ((exposed, of_exposed), (unexposed, of_unexposed)):
        if not 0 < count <= of:
            raise NotComputableError(f"A risk ratio by the log method needs 0 < count <= of; got {count} of {of}.")
    found = relative_risk(exposed, of_exposed, unexposed, of_unexposed)
    interval = found.confidence_interval(confidence)
    return Ratio(float(found.relative_risk), float(interval.low), float(interval.high))
