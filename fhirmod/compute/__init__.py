"""What follows from an episode: pure functions; no codes, no FHIR, no clock.

What is here: `state` (everything at a moment), `MEASURES` and `LOCAL_MEASURES` (the clock-free values that
are stored), and the functions they are made of, each from a `View` (the entries that stand at a moment).
"""

from .balloons import Balloon, balloons
from .classes import SCHEMES, LossClass, unrecordable
from .closure import Closure, closure
from .collected import collected
from .custody import NOT_STATED, Care, Copy, care, care_of, copy_of
from .device_labels import label_findings
from .due import DUE_KINDS, Due, DueKind, due_items
from .fundus import Fundus, fundus
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
from .packs import Packs, packs
from .resuscitation import running_infusions, units_of
from .state import State, state
from .stops import Stops, stops
from .timings import timings, txa_doses
from .txa import Txa, txa
from .version import COMPUTE_VERSION
from .view import View
from .volume import fill_ml
from .watch import NextCheck, next_check
from .when import Anchor, Interval, minutes, when
from .why import Why, number

__all__ = [
    "COMPUTE_VERSION",
    "DUE_KINDS",
    "LOCAL_MEASURES",
    "MEASURES",
    "NOT_STATED",
    "SCHEMES",
    "Added",
    "Anchor",
    "Balloon",
    "Care",
    "Closure",
    "Copy",
    "Due",
    "DueKind",
    "Fundus",
    "Interval",
    "Ledger",
    "Line",
    "LocalMeasure",
    "LossClass",
    "Measure",
    "NextCheck",
    "Packs",
    "State",
    "Stops",
    "Txa",
    "View",
    "Why",
    "added",
    "at_least_ratio",
    "balloons",
    "care",
    "care_of",
    "closure",
    "collected",
    "copy_of",
    "due_items",
    "fill_ml",
    "fundus",
    "label_findings",
    "ledgers",
    "mass_to_volume_ml",
    "mean_arterial_pressure",
    "minutes",
    "net_loss_ml",
    "next_check",
    "number",
    "packs",
    "pulse_pressure",
    "running_infusions",
    "shock_index",
    "state",
    "stops",
    "timings",
    "txa",
    "txa_doses",
    "units_of",
    "unrecordable",
    "when",
]
