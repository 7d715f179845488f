import inspect

import pytest

from fhirmod import compute
from fhirmod.compute import classes, near_miss, warning
from fhirmod.compute.completeness import FIELDS
from fhirmod.episode import Protocol, Threshold

DEFAULT = Protocol.default()
THRESHOLDS = (
    *classes.THRESHOLDS, *near_miss.THRESHOLDS, *warning.THRESHOLDS, *DEFAULT.thresholds.values(), *DEFAULT.shock_index,
)  # fmt: skip
FUNCTIONS = [one for name in compute.__all__ if inspect.isfunction(one := getattr(compute, name))]


@pytest.mark.parametrize("threshold", THRESHOLDS, ids=lambda one: one.name)
def test_every_threshold_has_a_unit_and_a_source(threshold: Threshold) -> None:
    assert threshold.unit
    assert threshold.source.citation
    assert threshold.source.how_known in {"read", "reprint", "memory", "practice", "arithmetic"}


@pytest.mark.parametrize("module", [classes, near_miss], ids=lambda one: one.__name__)
def test_every_threshold_of_a_module_is_listed(module: object) -> None:
    own = {value.name for value in vars(module).values() if isinstance(value, Threshold)}
    assert own == {one.name for one in module.THRESHOLDS}  # type: ignore[attr-defined]


@pytest.mark.parametrize("function", FUNCTIONS, ids=lambda one: one.__name__)
def test_every_public_function_says_units_errors_and_source(function: object) -> None:
    text = inspect.getdoc(function) or ""
    assert [word for word in ("Units:", "Errors:", "Source:") if word not in text] == []


def test_the_minimum_set_has_forty_fields() -> None:
    assert len(FIELDS) == 40


def test_every_warning_set_of_the_protocol_is_computed() -> None:
    assert set(DEFAULT.warning_sets) == set(warning._SETS)
    assert set(DEFAULT.loss_schemes) <= set(compute.SCHEMES)
