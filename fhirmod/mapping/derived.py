"""Computed values as Observations: local to one entry, or one summary for each measure, updated in place.

Each carries the tag of the compute version; none is ever read back as an entry.
"""

from collections.abc import Iterable, Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, NamedTuple

from fhirmod.compute import COMPUTE_VERSION, LOCAL_MEASURES, MEASURES
from fhirmod.episode import Entry, Moment, VitalSigns
from terminology import concept

from .special import DRILL
from .tables import TABLES
from .urls import BASE, COMPUTE_TAG, UCUM
from .writing import CONFIDENTIALITY, Context, Image, category

_DIGITS = Decimal("0.0001")
_TAG = {"system": COMPUTE_TAG, "code": COMPUTE_VERSION}
_UNITS = {one.key: one.unit for one in MEASURES} | {one.key: one.unit for one in LOCAL_MEASURES}
_DEPENDS = {one.key: one.depends_on for one in MEASURES}
LOCAL_KINDS = frozenset({"vital-signs"})


class ValueKey(NamedTuple):
    """Which computed value: the measure, and the root id of the entry it belongs to ("" for the episode)."""

    measure: str
    root: str


Values = dict[ValueKey, tuple[Decimal, Entry | None]]


def local_values(entries: Iterable[Entry], roots: Mapping[str, str]) -> Values:
    """Return the values that each single entry gives by itself."""
    found: Values = {}
    for entry in entries:
        if isinstance(entry, VitalSigns):
            for measure in LOCAL_MEASURES:
                value = measure.of(entry)
                if value is not None:
                    found[ValueKey(measure.key, roots[entry.id])] = (value, entry)
    return found


def local_keys(root: str) -> tuple[ValueKey, ...]:
    """Return the keys of all values that an entry can give by itself."""
    return tuple(ValueKey(measure.key, root) for measure in LOCAL_MEASURES)


def summary_values(
    standing: tuple[Entry, ...], roots: Mapping[str, str], kinds: frozenset[str] | None = None
) -> Values:
    """Return the summary values; with `kinds`, only those of the measures that depend on one of them."""
    found: Values = {}
    for measure in MEASURES:
        if kinds is None or measure.depends_on & kinds:
            for entry_id, value in measure.of(standing):
                root = "" if entry_id is None else roots.get(entry_id, entry_id)
                found[ValueKey(measure.key, root)] = (value, None)
    return found


def measures_of(kinds: frozenset[str]) -> frozenset[str]:
    """Return the summary measures that entries of these kinds can change."""
    return frozenset(measure.key for measure in MEASURES if measure.depends_on & kinds)


def derived_id(key: ValueKey, episode_id: str) -> str:
    """Return the id of the Observation that carries a value."""
    return f"{key.root or episode_id}.{key.measure}"


def depends_on(key: ValueKey) -> frozenset[str]:
    """Return the kinds of entry that a summary value depends on; one local to an entry depends on that alone."""
    return _DEPENDS.get(key.measure, frozenset())


def derived_image(
    key: ValueKey,
    value: Decimal,
    entry: Entry | None,
    episode_id: str,
    context: Context,
    unread: frozenset[str] = frozenset(),
) -> Image:
    """Return the Observation of a computed value; `entry` is the one it is local to.

    Shape: it is `preliminary` where something unread may have been of a kind (`unread`) that it depends on.
    """
    image_id = derived_id(key, episode_id)
    body: dict[str, Any] = {
        "resourceType": "Observation",
        "id": image_id,
        "meta": _drill_meta if context.drill else _meta,
        "partOf": [{"reference": context.anchor}],
        "status": "final" if unread.isdisjoint(depends_on(key)) else "preliminary",
        "category": [category("exam")],
        "code": concept(f"measure.{key.measure}").codeable,
        "subject": {"reference": context.subject},
    }
    if context.encounter is not None:
        body["encounter"] = {"reference": context.encounter}
    if entry is not None:
        if isinstance(entry.at, Moment):
            body["effectiveDateTime"] = entry.at.text
        if sources := context.links(*_sources(key, entry)):
            body["derivedFrom"] = sources
    elif key.root:
        body["partOf"] = [{"reference": context.anchor}, *context.links(f"Procedure/{key.root}.placement")]
    unit = _UNITS[key.measure]
    body["valueQuantity"] = {"value": presented(value), "unit": unit, "system": UCUM, "code": unit}
    return Image("Observation", image_id, body)


def presented(value: Decimal) -> Decimal:
    """Return the value as it is stored: digits kept if there are at most four decimals, else rounded to four."""
    exponent = value.as_tuple().exponent
    if isinstance(exponent, int) and exponent < -4:
        return value.quantize(_DIGITS, ROUND_HALF_EVEN)
    return value


def is_derived(resource: Mapping[str, Any]) -> bool:
    """Return whether a received resource is a value that this software (here or elsewhere) computed."""
    return any(tag.get("system") == COMPUTE_TAG for tag in resource.get("meta", {}).get("tag", ()))


def _sources(key: ValueKey, entry: Entry) -> list[str]:
    parts = {part.name for part in TABLES[entry.kind].parts if part.says(entry)}
    return [f"Observation/{key.root}.{name}" for name in _FROM[key.measure] if name in parts]


_FROM = {
    "shock-index": ("heart-rate", "blood-pressure"),
    "mean-arterial-pressure": ("blood-pressure",),
    "pulse-pressure": ("blood-pressure",),
}
_PROFILE = [f"{BASE}/StructureDefinition/computed"]
_meta = {"profile": _PROFILE, "security": [CONFIDENTIALITY], "tag": [_TAG]}
_drill_meta = {"profile": _PROFILE, "security": [CONFIDENTIALITY, DRILL], "tag": [_TAG]}
