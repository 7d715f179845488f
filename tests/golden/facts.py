"""The facts of a state that no later release may read differently from the same record."""

from datetime import datetime
from typing import Any

from fhirmod.compute import state
from fhirmod.episode import Episode, Protocol
from tests.examples.told import value_at

PATHS = (
    *(f"axes.{axis}.word" for axis in ("balloon", "bleeding", "trial", "care", "woman", "record")),
    *(
        f"balloons[{n}].{path}"
        for n in (0, 1)
        for path in (
            "state",
            "elsewhere",
            "dwell.minutes",
            "over_label_ml",
            "stop.first_reduced_min",
            "stop.time_to_first_stop_min",
            "stop.bleeding_at_15_min",
            "compartments[cavity].volume.ml",
            "compartments[cavity].volume.certainty",
            "compartments[cavity].total_in_ml",
            "compartments[cavity].total_out_ml",
            "compartments[cavity].peak_ml",
        )
    ),
    "packs.open",
    "loss.measured.ml",
    "loss.visual.ml",
    "loss.since_placement.ml",
    "loss.drain.ml",
    "haemodynamics.shock_index.value",
    "haemodynamics.pressure.value",
    "resuscitation.red_cell_units",
    "resuscitation.drugs.oxytocin.total",
    "txa.first",
    "haemoglobin",
    *(
        f"timings[{name}].minutes"
        for name in ("birth-to-placement", "decision-to-placement", "journey", "theatre-decision-to-theatre")
    ),
)


def facts(episode: Episode, as_of: str) -> dict[str, Any]:
    """Return the facts of an episode at a moment, by path, those that are there."""
    shown = state(episode, as_of=datetime.fromisoformat(as_of), protocol=Protocol.default()).document()
    found = {path: _value(shown, path) for path in PATHS}
    return {path: value for path, value in found.items() if value is not None}


def _value(document: Any, path: str) -> Any:
    try:
        return value_at(document, path)
    except (LookupError, TypeError):
        return None
