"""The height of the fundus against the baseline taken after filling, within one scale only."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirmod.episode import UterineCheck

from .view import View
from .when import minutes, when
from .why import Why, number

_SCALES = (
    ("finger-breadths", "fundus_finger_breadths", "fundus.rise_finger_breadths"),
    ("cm-above-symphysis", "fundus_above_symphysis_cm", "fundus.rise_cm"),
)


@dataclass(frozen=True, slots=True)
class Fundus:
    """The last height against the baseline.

    Units:  finger-breadths against the umbilicus, or cm above the symphysis, as `scale` says; min.
    Shape: `risen` is yes, no, or why that cannot be said; it matters whatever the visible loss.
    """

    scale: str
    last: Decimal | Why
    last_at: datetime | Why
    age_min: Decimal | Why
    baseline: Decimal | Why
    baseline_at: datetime | Why
    rise: Decimal | Why
    risen: str
    tone: str
    parameter: str
    source: str


def fundus(view: View) -> Fundus:
    """Return the fundus against its baseline.

    Units:  as the scale says; min.
    Errors: none; heights of two scales are never compared.
    Source: the protocol's fundus thresholds (sources.PRACTICE by default).
    """
    checks = view.all(UterineCheck)
    tone = next((one.tone for one in reversed(checks) if isinstance(one.tone, str)), Why.NOT_RECORDED)
    found = [_in_scale(view, checks, tone, scale=scale, name=name, limit=limit) for scale, name, limit in _SCALES]
    known = [one for one in found if one is not None]
    if not known:
        return Fundus(Why.NOT_RECORDED, *(Why.NOT_RECORDED,) * 6, Why.NOT_ASSESSABLE, tone, *(Why.NOT_APPLICABLE,) * 2)
    risen = [one for one in known if one.risen == "yes"]
    return risen[0] if risen else max(known, key=lambda one: (isinstance(one.rise, Decimal), one.last_at))


def _in_scale(view: View, checks: list[UterineCheck], tone: str, *, scale: str, name: str, limit: str) -> Fundus | None:
    heights = [(one, value) for one in checks if (value := number(getattr(one, name))) is not None]
    if not heights:
        return None
    last, height = heights[-1]
    base = next(((one, value) for one, value in reversed(heights) if one.baseline), None)
    threshold = view.protocol.of(limit)
    rise = Why.NOT_ASSESSABLE if base is None else height - base[1]
    return Fundus(
        scale=scale,
        last=height,
        last_at=when(last),
        age_min=minutes(view.now - when(last)),
        baseline=Why.NOT_RECORDED if base is None else base[1],
        baseline_at=Why.NOT_RECORDED if base is None else when(base[0]),
        rise=rise,
        risen=Why.NOT_ASSESSABLE if isinstance(rise, Why) else ("yes" if rise >= threshold.value else "no"),
        tone=tone,
        parameter=f"{threshold.name} {threshold.value:f} {threshold.unit}",
        source=threshold.source.citation,
    )
