"""The first ten seconds: seven lines in a fixed order; each part is a value or says why there is none."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

from .axes import Axes
from .balloons import Balloon
from .custody import Care, Copy
from .fundus import Fundus
from .losses import CONCEALED, Losses, Sum
from .packs import Packs
from .resuscitation import Resuscitation
from .signs import Haemodynamics
from .stops import Stops
from .timings import UTEROTONICS
from .txa import Txa
from .view import View
from .watch import Watch
from .why import Why


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a line: its name and what to show."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Line:
    """One of the seven lines; `text` joins its parts for reading."""

    n: int
    name: str
    parts: tuple[Part, ...]

    @property
    def text(self) -> str:
        """Return the line in words."""
        return "; ".join(f"{part.name} {part.value}" for part in self.parts)


@dataclass(frozen=True, slots=True)
class Shown:
    """What the lines are made of."""

    view: View
    axes: Axes
    balloons: tuple[Balloon, ...]
    packs: Packs
    loss: Losses
    haemodynamics: Haemodynamics
    fundus: Fundus
    watch: Watch
    txa: Txa
    resuscitation: Resuscitation
    haemoglobin: str
    stops: Stops
    care: Care
    copy: Copy
    incomplete: tuple[str, ...] = ()


def lines(shown: Shown) -> tuple[Line, ...]:
    """Return the seven lines in their order.

    Units:  named in the text of each part.
    Shape:  stated and cited, never an instruction.
    Source: sources.PRACTICE (the order).
    """
    return tuple(
        Line(n, name, (*of(shown), *_not_read(shown, drawn_from))) for n, (name, of, drawn_from) in enumerate(_LINES, 1)
    )


def _not_read(shown: Shown, drawn_from: tuple[str, ...]) -> Iterable[Part]:
    """Return what a line says when something received that could not be read may have changed it."""
    doubted = [name for name in drawn_from if name in shown.incomplete]
    if doubted:
        yield Part("incomplete", f"not all that was received could be read ({', '.join(doubted)})")


def _part(name: str, value: object, unit: str = "") -> Part:
    if isinstance(value, datetime):
        return Part(name, value.isoformat(timespec="minutes"))
    if isinstance(value, Decimal):
        return Part(name, f"{value:f} {unit}".rstrip())
    return Part(name, str(value))


def _in_out(shown: Shown) -> Iterable[Part]:
    word = shown.axes.balloon.word
    yield _part("balloon", word)
    if shown.balloons:
        last = shown.balloons[-1]
        volume = last.cavity.volume
        yield _part("number", str(last.n))
        yield _part("placed", last.placed.at)
        yield _part("time in place", _hours(last.dwell.minutes))
        yield _part("recorded in minus out", volume.ml, "mL")
        yield _part("certainty", volume.certainty)
        if volume.certainty == "not-reliable":
            yield _part("last recorded", volume.last_recorded_ml, "mL")
    yield _part("packs in", shown.packs.open)


def _bleeding(shown: Shown) -> Iterable[Part]:
    axis = shown.axes.bleeding
    yield _part("bleeding", axis.word)
    yield _part("since", axis.since)
    yield _part("last looked", axis.last_looked)
    fundus = shown.fundus
    yield _part("fundus", fundus.last, fundus.scale)
    yield _part("against baseline", _signed(fundus.rise), fundus.scale)
    yield _part("risen", fundus.risen)


def _signs(shown: Shown) -> Iterable[Part]:
    signs = shown.haemodynamics
    for name, latest, unit in (
        ("pressure", signs.pressure, "mm[Hg]"),
        ("pulse", signs.pulse_per_min, "/min"),
        ("mental state", signs.mental_state, ""),
        ("shock index", signs.shock_index, ""),
    ):
        yield _part(name, latest.value, unit)
        yield _part(f"{name} age", latest.age_min, "min")
    yield _part("direction", signs.direction)


def _loss(shown: Shown) -> Iterable[Part]:
    yield _sum("measured", shown.loss.measured)
    yield _sum("visual", shown.loss.visual)
    yield _sum("measured since placement", shown.loss.since_placement)
    yield Part("note", CONCEALED)


def _running(shown: Shown) -> Iterable[Part]:
    given = shown.resuscitation
    running = ", ".join(f"{one.what} ({one.rate})" for one in given.running)
    yield Part("running now", running or "none recorded")
    uterotonics = [f"{name} {one.total}" for name, one in given.drugs.items() if name in UTEROTONICS]
    uterotonics += [f"{name} by infusion" for name in given.infused if name in UTEROTONICS]
    yield Part("uterotonics given", ", ".join(uterotonics) or Why.NOT_RECORDED)
    yield Part("TXA 1", shown.txa.first)
    yield Part("TXA 2", shown.txa.second)
    yield _part("red-cell units", given.red_cell_units)
    yield Part("last Hb", shown.haemoglobin)


def _stops(shown: Shown) -> Iterable[Part]:
    stops = shown.stops
    yield Part("refuses blood", stops.refuses_blood)
    if stops.refused_products:
        yield Part("refused products", ", ".join(stops.refused_products))
    yield Part("allergies", stops.allergies)
    yield Part("latex allergy", stops.latex_allergy)
    yield Part("hypertension", stops.hypertension)
    yield Part("asthma", stops.asthma)
    yield Part("cause", ", ".join(stops.causes) or Why.NOT_RECORDED)
    yield Part("tears", stops.tears)
    yield Part("tissue", stops.tissue)


def _next(shown: Shown) -> Iterable[Part]:
    watch = shown.watch
    yield _part("next check due", watch.due)
    yield Part("overdue", _overdue(watch))
    earliest, latest = _window(shown)
    yield _part("removal window from", earliest)
    yield _part("removal window until", latest)
    yield Part("accepted by", shown.care.accepted_by)
    yield _part("as received", shown.view.last_received)
    if shown.copy.word == "last-known":
        yield Part("this copy", f"last known; custody with {shown.copy.custodian}")


def _overdue(watch: Watch) -> str:
    if isinstance(watch.due, Why):
        return watch.due
    if not watch.overdue or isinstance(watch.overdue_since, Why):
        return "no"
    return f"since {watch.overdue_since.isoformat(timespec='minutes')}"


def _window(shown: Shown) -> tuple[datetime | Why, datetime | Why]:
    """Return the removal window of the balloon in place, by the protocol's dwell limits."""
    if not shown.balloons or not shown.balloons[-1].in_place or _kept_elsewhere(shown):
        return Why.NOT_APPLICABLE, Why.NOT_APPLICABLE
    placed = shown.balloons[-1].placed.at
    if not isinstance(placed, datetime):
        return Why.NOT_KNOWN, Why.NOT_KNOWN
    of = shown.view.protocol.of
    return placed + of("dwell.earliest_h").duration, placed + of("dwell.latest_h").duration


def _kept_elsewhere(shown: Shown) -> bool:
    """Return whether nothing is due here: her death stopped the clocks, or another facility has custody."""
    return shown.view.death is not None or shown.copy.word == "last-known"


def _sum(name: str, value: Sum) -> Part:
    least = "at least " if value.certainty == "at-least" and isinstance(value.ml, Decimal) else ""
    return Part(name, f"{least}{_part('', value.ml, 'mL').value}")


def _hours(minutes: Decimal | Why) -> str:
    if isinstance(minutes, Why):
        return minutes
    span = timedelta(minutes=float(minutes))
    hours, rest = divmod(span, timedelta(hours=1))
    return f"{hours} h {rest // timedelta(minutes=1):02d} min"


def _signed(value: Decimal | Why) -> object:
    return value if isinstance(value, Why) else f"{value:+f}"


_LINES = (
    ("balloon", _in_out, ("balloons", "in_place", "packs")),
    ("bleeding", _bleeding, ("axes", "fundus")),
    ("signs", _signs, ("haemodynamics",)),
    ("loss", _loss, ("loss",)),
    ("given", _running, ("resuscitation", "txa", "haemoglobin")),
    ("stops", _stops, ("stops",)),
    ("next", _next, ("watch", "balloons", "care")),
)
