"""The site protocol: what a stay's verdicts are measured against; TOML in, frozen values with sources out.

A site's file stands over the default one; what it does not name stays as it is there.
"""

import difflib
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal
from functools import cache
from importlib import resources
from typing import Any

from fhirmod import sources
from fhirmod.errors import InvalidError
from fhirmod.sources import Source

_UNITS = {
    "_per_min": "/min",
    "_min": "min",
    "_h": "h",
    "_ml": "mL",
    "_cm": "cm",
    "_mmhg": "mm[Hg]",
    "_cel": "Cel",
    "_g_dl": "g/dL",
    "_10e9_l": "10*9/L",
    "_umol_l": "umol/L",
    "_g_l": "g/L",
    "_mg": "mg",
    "_kg": "kg",
    "_g": "g",
    "_days": "d",
    "_fraction": "1",
    "_finger_breadths": "{finger-breadth}",
    "shock_index": "{ratio}",
}
_WORDS = {"label.policy": ("warn", "off"), "reconciliation.tolerance_ml": ("none",)}
_LISTS = {
    "loss.schemes": ("who-2012", "who-2025", "acog-2017", "rcog-2016", "cmqcc"),
    "warning.sets": ("obstetric-early-warning-2014", "sustained-trigger-2016"),
}
_NUMBER_LISTS = ("warning.shock_index", "fill.buttons_ml")
_STEPS = "watch.every_min.since_fill"
_OPTIONAL = ("trial.step_fraction",)
_ORDERED = (
    ("dwell.earliest_h", "dwell.latest_h"),
    ("trial.step_low_ml", "trial.step_high_ml"),
    ("trial.watch_low_min", "trial.watch_high_min"),
    ("decision.tamponade_low_min", "decision.tamponade_high_min"),
    ("txa.second_from_min", "txa.second_until_min"),
    ("plausible.pulse_low_per_min", "plausible.pulse_high_per_min"),
    ("plausible.systolic_low_mmhg", "plausible.systolic_high_mmhg"),
    ("plausible.respiratory_rate_low_per_min", "plausible.respiratory_rate_high_per_min"),
    ("plausible.temperature_low_cel", "plausible.temperature_high_cel"),
)


@dataclass(frozen=True, slots=True)
class Threshold:
    """A number that decides something, its UCUM unit and where it comes from: no source, no threshold."""

    name: str
    value: Decimal
    unit: str
    source: Source

    @property
    def duration(self) -> timedelta:
        """Return the value as a time span.

        Errors: InvalidError if the unit is not min or h.
        """
        if self.unit not in ("min", "h"):
            raise InvalidError(f"The threshold {self.name} is in {self.unit}; a time span needs min or h.")
        return timedelta(minutes=float(self.value if self.unit == "min" else self.value * 60))


@dataclass(frozen=True, slots=True)
class WatchStep:
    """From so long after the last fill on, a full round is due every so often."""

    start: Threshold
    every: Threshold


@dataclass(frozen=True, slots=True)
class Protocol:
    """One site's protocol; `hash` (SHA-256 of its text) and `version` are stored with every episode.

    Shape: `thresholds` by dotted name as in the file; `of(name)` gives one; `text` is the file itself.
    """

    id: str
    version: str
    hash: str
    source: Source
    thresholds: Mapping[str, Threshold]
    since_fill: tuple[WatchStep, ...]
    shock_index: tuple[Threshold, ...]
    fill_buttons_ml: tuple[Threshold, ...]
    loss_schemes: tuple[str, ...]
    warning_sets: tuple[str, ...]
    warns_above_label: bool
    text: bytes = field(repr=False, compare=False)

    @classmethod
    def default(cls) -> "Protocol":
        """Return the protocol that comes with the software; its numbers cite their sources."""
        return _default()

    @classmethod
    def read(cls, text: bytes) -> "Protocol":
        """Return the protocol of a site's TOML file, standing over the default.

        Errors: InvalidError with one sentence: what is wrong, what was got, what would be right.
        """
        site = _parsed(text)
        for name in ("id", "version", "source"):
            if not isinstance(site.get(name), str) or not site[name].strip():
                raise InvalidError(
                    f'The site protocol needs {name} = "..." at its top; got {site.get(name)!r}.', place=name
                )
        values = _flat_default() | dict(_flat(site, _source(site["source"])))
        return _protocol(site, text, values)

    def of(self, name: str) -> Threshold:
        """Return the threshold of this dotted name.

        Errors: KeyError if there is none of that name.
        """
        return self.thresholds[name]

    @property
    def reconciliation_ml(self) -> Threshold | None:
        """Return the site's tolerance between volume in and out, or None: the difference is shown alone."""
        return self.thresholds.get("reconciliation.tolerance_ml")


_Values = dict[str, tuple[Any, Source]]


@cache
def _default_text() -> bytes:
    return resources.files("fhirmod.episode").joinpath("protocol.toml").read_bytes()


@cache
def _flat_default() -> _Values:
    parsed = _parsed(_default_text())
    return dict(_flat(parsed, _source(parsed["source"]), known=None))


@cache
def _default() -> Protocol:
    text = _default_text()
    return _protocol(_parsed(text), text, _flat_default())


def _parsed(text: bytes) -> dict[str, Any]:
    try:
        return tomllib.loads(text.decode("utf-8"), parse_float=Decimal)
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as wrong:
        raise InvalidError(f"The site protocol must be TOML in UTF-8; reading it failed with: {wrong}.") from None


def _flat(
    parsed: Mapping[str, Any], source: Source, *, known: str | None = ""
) -> Iterator[tuple[str, tuple[Any, Source]]]:
    """Yield dotted name, value and source of every parameter; refuse names the default does not have."""
    for name, value in _walk(parsed, ""):
        if name in ("id", "version", "source"):
            continue
        if known is not None:
            names = (*_flat_default(), *_OPTIONAL)
            if name not in names:
                near = difflib.get_close_matches(name, names, 1)
                hint = f"did you mean {near[0]}?" if near else f"the names are {', '.join(sorted(names))}."
                raise InvalidError(f"The site protocol has no parameter {name}; {hint}", place=name)
        yield name, _sourced(name, value, source)


def _walk(table: Mapping[str, Any], above: str) -> Iterator[tuple[str, Any]]:
    for key, value in table.items():
        name = f"{above}.{key}" if above else key
        if isinstance(value, Mapping) and "value" not in value:
            yield from _walk(value, name)
        else:
            yield name, value


def _sourced(name: str, value: Any, source: Source) -> tuple[Any, Source]:
    if not isinstance(value, Mapping):
        return value, source
    extra = value.keys() - {"value", "source"}
    if extra:
        raise InvalidError(
            f"The parameter {name} takes value and source; got {', '.join(sorted(map(str, extra)))} too.",
            place=name,
        )
    return value["value"], _source(value["source"]) if "source" in value else source


def _source(text: Any) -> Source:
    """Return the publication of this key, else the site's own words as a source."""
    if not isinstance(text, str) or not text.strip():
        raise InvalidError(f"A source must be a key of fhirmod.sources or the site's own words; got {text!r}.")
    found = getattr(sources, text, None) if text.isupper() or text.replace("_", "").isalnum() else None
    return found if isinstance(found, Source) else Source("SITE", text, "practice")


def _protocol(parsed: Mapping[str, Any], text: bytes, values: _Values) -> Protocol:
    thresholds = {
        name: _threshold(name, *value)
        for name, value in values.items()
        if name not in _LISTS and name not in _NUMBER_LISTS and name != _STEPS and not _is_word(name, value[0])
    }
    for low, high in _ORDERED:
        if thresholds[low].value > thresholds[high].value:
            raise InvalidError(
                f"The parameter {low} must not be above {high}; got {thresholds[low].value} and "
                f"{thresholds[high].value}.",
                place=low,
            )
    return Protocol(
        id=parsed["id"],
        version=parsed["version"],
        hash=hashlib.sha256(text).hexdigest(),
        source=_source(parsed["source"]),
        thresholds=thresholds,
        since_fill=_steps(*values[_STEPS]),
        shock_index=_numbers("warning.shock_index", *values["warning.shock_index"]),
        fill_buttons_ml=_numbers("fill.buttons_ml", *values["fill.buttons_ml"]),
        loss_schemes=_names("loss.schemes", values["loss.schemes"][0]),
        warning_sets=_names("warning.sets", values["warning.sets"][0]),
        warns_above_label=values["label.policy"][0] == "warn",
        text=text,
    )


def _is_word(name: str, value: Any) -> bool:
    words = _WORDS.get(name)
    if words is None or not (isinstance(value, str) or name == "label.policy"):
        return False
    if value not in words:
        raise InvalidError(f"The parameter {name} must be {' or '.join(words)}; got {value!r}.", place=name)
    return True


def _threshold(name: str, value: Any, source: Source) -> Threshold:
    unit = next((unit for end, unit in _UNITS.items() if name.endswith(end) or f"{end}." in name), "1")
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise InvalidError(f"The parameter {name} must be a number in {unit}; got {value!r}.", place=name)
    number = Decimal(value)
    smallest_open = name.startswith("watch.every_min") or name.endswith("_fraction")
    if not number.is_finite() or number < 0 or (smallest_open and number == 0):
        raise InvalidError(f"The parameter {name} must be a number above 0 in {unit}; got {value}.", place=name)
    if name.endswith("_fraction") and number > 1:
        raise InvalidError(f"The parameter {name} must be between 0 and 1; got {value}.", place=name)
    return Threshold(name, number, unit, source)


def _numbers(name: str, value: Any, source: Source) -> tuple[Threshold, ...]:
    if not isinstance(value, list) or not value:
        raise InvalidError(f"The parameter {name} must be a list of numbers; got {value!r}.", place=name)
    return tuple(_threshold(name, *_sourced(name, one, source)) for one in value)


def _names(name: str, value: Any) -> tuple[str, ...]:
    allowed = _LISTS[name]
    if not isinstance(value, list) or any(one not in allowed for one in value):
        raise InvalidError(f"The parameter {name} must list some of {', '.join(allowed)}; got {value!r}.", place=name)
    return tuple(value)


def _steps(value: Any, source: Source) -> tuple[WatchStep, ...]:
    wanted = {"from_min", "every_min"}
    if (
        not isinstance(value, list)
        or not value
        or any(not isinstance(one, Mapping) or set(one) != wanted for one in value)
    ):
        raise InvalidError(
            f"The parameter {_STEPS} must be a list of {{ from_min, every_min }}; got {value!r}.",
            place=_STEPS,
        )
    steps = tuple(
        WatchStep(
            _threshold("watch.since_fill.from_min", one["from_min"], source),
            _threshold("watch.every_min.since_fill", one["every_min"], source),
        )
        for one in value
    )
    starts = [step.start.value for step in steps]
    if starts[0] != 0 or starts != sorted(set(starts)):
        raise InvalidError(
            f"The steps of {_STEPS} must begin at from_min = 0 and rise; got {', '.join(map(str, starts))}.",
            place=_STEPS,
        )
    return steps
