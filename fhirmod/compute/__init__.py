"""What follows from an episode: pure functions; no codes, no FHIR, no clock.

What is here: `state` (everything at a moment), `MEASURES` and `LOCAL_MEASURES` (the clock-free values that
are stored), and the small functions they are made of.
"""

from .classes import SCHEMES, LossClass
from .closure import Closure, closure
from .custody import NOT_STATED, Copy, care_of, copy_of
from .device_labels import label_findings
from .due import DUE_KINDS, Due, due_items
from .haemodynamics import (
    LOCAL_MEASURES,
    LocalMeasure,
    at_least_ratio,
    mean_arterial_pressure,
    pulse_pressure,
    shock_index,
)
from .ledger import Ledger, ledgers
from .lines import Line
from .loss import Added, added, mass_to_volume_ml, net_loss_ml
from .measures import MEASURES, Measure
from .state import State, state
from .version import COMPUTE_VERSION
from .when import Anchor, Interval, minutes
from .why import Why

__all__ = [
    "COMPUTE_VERSION",
    "DUE_KINDS",
    "LOCAL_MEASURES",
    "MEASURES",
    "NOT_STATED",
    "SCHEMES",
    "Added",
    "Anchor",
    "Closure",
    "Copy",
    "Due",
    "Interval",
    "Ledger",
    "Line",
    "LocalMeasure",
    "LossClass",
    "Measure",
    "State",
    "Why",
    "added",
    "at_least_ratio",
    "care_of",
    "closure",
    "copy_of",
    "due_items",
    "label_findings",
    "ledgers",
    "mass_to_volume_ml",
    "mean_arterial_pressure",
    "minutes",
    "net_loss_ml",
    "pulse_pressure",
    "shock_index",
    "state",
]
