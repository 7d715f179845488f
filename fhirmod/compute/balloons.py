"""Each balloon as it stands at a moment: where it is, its recorded volumes, its time in place."""

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from fhirmod.episode import Absent, BalloonPreparation, BleedingResponse, DeviceFacts, Opening

from .device_labels import label_facts
from .ledger import COMPARTMENTS, Ledger
from .stop import FirstStop, first_stop
from .trials import Trial, trial_word, trials
from .verdict import Verdict, over_range, verdict
from .view import View
from .volume import NOT_IN, Running, Volume
from .when import Anchor, Interval, interval, interval_to, when
from .why import Why, rounded, why

_FACTS = ("device", "size", "label_max_ml", "retention", "drain_lumen", "closure", "latex", "expires")
_OUT_HOW_NOT_KNOWN = "out-how-not-known"
_OUT = ("removed", "pulled", "at-surgery", "expelled", _OUT_HOW_NOT_KNOWN)


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """Recorded in against recorded out; a verdict only where the site sets a tolerance.

    Units:  mL and percent of what went in.
    """

    difference_ml: Decimal | Why
    percent: Decimal | Why
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class Compartment:
    """One compartment's recorded volume.

    Units:  mL.
    Shape: `status` is "used", or why there is nothing to say; the volume is recorded in minus out, never
           what is inside.
    """

    name: str
    status: str
    volume: Volume
    total_in_ml: Decimal | Why
    total_out_ml: Decimal | Why
    peak_ml: Decimal | Why
    reconciliation: Reconciliation


@dataclass(frozen=True, slots=True)
class Balloon:
    """Balloon n.

    Units:  mL and min.
    Shape: `state` is filling | in | part-emptied | displaced | removed | pulled | at-surgery | expelled |
           out-how-not-known | in-at-death | fate-not-known; `facts` are those of its placement over those of its
           preparation.
    """

    n: int
    placement: str
    elsewhere: bool
    placed: Anchor
    state: str
    since: datetime | Why
    in_place: bool
    facts: dict[str, str | Decimal]
    compartments: tuple[Compartment, ...]
    over_label_ml: Decimal | Why
    out: Anchor
    dwell: Interval
    dwell_against_limits: Verdict
    filled_until: datetime | Why
    stop: FirstStop
    trials: tuple[Trial, ...]
    trial: str

    @property
    def is_out(self) -> bool:
        """Return whether the balloon is recorded as out, in whatever way."""
        return self.state in _OUT

    @property
    def cavity(self) -> Compartment:
        """Return the cavity's ledger."""
        return self.compartments[0]

    @property
    def retention(self) -> Compartment:
        """Return the retention balloon's ledger."""
        return self.compartments[1]


def balloons(view: View) -> tuple[Balloon, ...]:
    """Return every balloon in order of placement.

    Units:  mL and min.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    prepared = _preparations(view)
    looks = view.all(BleedingResponse)
    return tuple(_balloon(view, ledger, prepared.get(ledger.id), looks) for ledger in view.ledgers.balloons)


def _balloon(view: View, ledger: Ledger, prepared: BalloonPreparation | None, looks: list[BleedingResponse]) -> Balloon:
    stop, done = _course(view, ledger)
    facts = _facts(ledger, prepared)
    state, since = _state(view, ledger, looks)
    placed = Anchor.of("placement", None if isinstance(ledger.opened, Opening) else ledger.opened, Why.NOT_KNOWN)
    out = Anchor.of(
        _out_name(ledger),
        ledger.end[1] if ledger.end else None,
        Why.NOT_YET if _in(ledger) else Why.NOT_KNOWN,
    )
    dwell = _dwell(view, ledger, placed, out)
    in_place = _in(ledger) or state == "in-at-death"
    maximum, peak = facts["label_max_ml"], ledger.cavity.peak
    return Balloon(
        n=ledger.n,
        placement=ledger.id,
        elsewhere=ledger.elsewhere,
        placed=placed,
        state=state,
        since=since,
        in_place=in_place,
        facts=facts,
        compartments=tuple(
            _compartment(view, name, ledger, str(facts["retention"]), in_place=in_place) for name in COMPARTMENTS
        ),
        over_label_ml=(max(peak - maximum, Decimal(0)) if isinstance(maximum, Decimal) else Why(str(maximum))),
        out=out,
        dwell=dwell,
        dwell_against_limits=_against_limits(view, dwell),
        filled_until=_filled_until(view, ledger),
        stop=stop,
        trials=done,
        trial=trial_word(done, out=ledger.out, expelled=ledger.end is not None and ledger.end[0] == "expelled"),
    )


def _in(ledger: Ledger) -> bool:
    return ledger.end is None and ledger.superseded is None


def _course(view: View, ledger: Ledger) -> tuple[FirstStop, tuple[Trial, ...]]:
    """Return the stop and the trials of one balloon, from the entries of its own time."""
    stop = ledger.end[1] if ledger.end is not None else ledger.superseded
    times = view.course_times
    first = 0 if ledger.elsewhere else bisect_left(times, when(ledger.opened))
    own = view.course[first : None if stop is None else bisect_right(times, when(stop))]
    return first_stop(ledger, own, view.now), trials(own, view.now)


def _out_name(ledger: Ledger) -> str:
    return {None: "out", "expelled": "expulsion", "died": "death"}.get(ledger.end[0] if ledger.end else None, "removal")


def _dwell(view: View, ledger: Ledger, placed: Anchor, out: Anchor) -> Interval:
    """Return the time in place: to its end, to her death, or to now."""
    if isinstance(ledger.opened, Opening):
        return interval("dwell", placed, out, None, None)
    if ledger.end is not None:
        return interval("dwell", placed, out, ledger.opened, ledger.end[1])
    if ledger.superseded is not None:
        return interval("dwell", placed, Anchor.of("removal", None, Why.NOT_KNOWN), ledger.opened, None)
    return interval_to("dwell", placed, ledger.opened, Anchor("now", Why.NOT_YET, view.now), view.now)


def _against_limits(view: View, dwell: Interval) -> Verdict:
    """Return before-earliest, within or over-latest against the site's dwell limits: a prompt, never a refusal."""
    low, high = view.protocol.of("dwell.earliest_h"), view.protocol.of("dwell.latest_h")

    def word(span_min: Decimal) -> str:
        if span_min < low.value * 60:
            return "before-earliest"
        return "over-latest" if span_min > high.value * 60 else "within"

    return verdict(over_range(dwell, word), low, high)


def _filled_until(view: View, ledger: Ledger) -> datetime | Why:
    """Return the end of the first filling: its last cavity fill before a pause."""
    pause = view.protocol.of("watch.filling_pause_min").duration
    last: datetime | None = None
    for fill in ledger.fills:
        at = when(fill)
        if last is not None and at - last > pause:
            break
        last = at
    return Why.NOT_RECORDED if last is None else last


def _state(view: View, ledger: Ledger, looks: list[BleedingResponse]) -> tuple[str, datetime | Why]:
    """Return the balloon's word and since when."""
    if ledger.end is not None:
        way, entry = ledger.end
        if way == "died":
            return "in-at-death", when(entry)
        return way if way in _OUT else _OUT_HOW_NOT_KNOWN, (entry.instant or Why.NOT_KNOWN)
    if ledger.superseded is not None:
        return "fate-not-known", when(ledger.superseded)
    if ledger.displaced is not None:
        return "displaced", when(ledger.displaced)
    fill, let_down = ledger.last_fill, ledger.last_withdrawal
    if let_down is not None and (fill is None or when(let_down) >= when(fill)):
        return "part-emptied", when(let_down)
    opened = ledger.opened.instant or Why.NOT_KNOWN
    if ledger.elsewhere:
        return "in", opened
    if fill is None:
        return "filling", opened
    settled = next(
        (
            when(one)
            for one in looks
            if when(one) > when(fill) and one.response in ("stopped", "reduced", "not-stopped")
        ),
        None,
    )
    pause = view.protocol.of("watch.filling_pause_min").duration
    quiet = when(fill) + pause
    begun = min(quiet, settled) if settled is not None else quiet
    return ("filling", opened) if view.now < begun else ("in", begun)


def _compartment(view: View, name: str, ledger: Ledger, retention: str, *, in_place: bool) -> Compartment:
    running = ledger.compartments[name]
    used = running.fills > 0 or running.withdrawals > 0 or running.input > 0
    status = "used" if used or name == "cavity" else _unused(name, retention)
    if status != "used":
        reason = Why(status)
        nothing = Reconciliation(reason, reason, verdict(reason))
        return Compartment(name, status, Volume(reason, "not-known", reason), reason, reason, reason, nothing)
    return Compartment(
        name=name,
        status=status,
        volume=running.volume() if in_place else NOT_IN,
        total_in_ml=running.input,
        total_out_ml=running.output,
        peak_ml=running.peak,
        reconciliation=_reconciled(view, ledger, running),
    )


def _unused(name: str, retention: str) -> Why:
    if name == "retention" and retention == "used":
        return Why.NOT_RECORDED
    if name == "retention" and retention not in ("none", "not-used"):
        return Why(retention)
    return Why.NOT_APPLICABLE


def _reconciled(view: View, ledger: Ledger, running: Running) -> Reconciliation:
    reason: Why | None = None
    if _in(ledger) or (ledger.end is not None and ledger.end[0] == "died"):
        reason = Why.NOT_YET if _in(ledger) else Why.NOT_APPLICABLE
    elif ledger.end is not None and ledger.end[0] == "expelled":
        reason = Why.NOT_APPLICABLE
    elif not running.complete or not (running.emptied or running.input == running.output):
        reason = Why.NOT_ASSESSABLE
    if reason is not None:
        return Reconciliation(reason, reason, verdict(reason))
    difference = running.input - running.output
    percent = rounded(100 * difference / running.input, 2) if running.input else Why.NOT_APPLICABLE
    tolerance = view.protocol.reconciliation_ml
    if tolerance is None:
        return Reconciliation(difference, percent, verdict(Why.NO_VERDICT))
    word = "within" if abs(difference) <= tolerance.value else "beyond"
    return Reconciliation(difference, percent, verdict(word, tolerance))


def _facts(ledger: Ledger, prepared: BalloonPreparation | None) -> dict[str, str | Decimal]:
    """Return the device facts: the placement's own over its preparation's; each a value or why not."""
    own = ledger.opened if isinstance(ledger.opened, DeviceFacts) else None
    facts: dict[str, str | Decimal] = {}
    for name in _FACTS:
        value = getattr(own, name, None)
        if value is None:
            value = getattr(prepared, name, None)
        facts[name] = why(value) if value is None or isinstance(value, Absent) else value
    return {**facts, **label_facts(own, prepared)}


def _preparations(view: View) -> dict[str, BalloonPreparation]:
    """Return each placement's preparation: the named one, else the latest before it that no other used."""
    made = view.all(BalloonPreparation)
    by_id = {one.id: one for one in made}
    used: set[str] = set()
    result: dict[str, BalloonPreparation] = {}
    openings = [one.opened for one in view.ledgers.balloons if isinstance(one.opened, DeviceFacts)]
    for placement in openings:
        named = getattr(placement, "preparation", None)
        found = by_id.get(view.heads.get(named, named)) if named is not None else None
        if found is not None:
            used.add(found.id)
            result[placement.id] = found
    for placement in openings:
        if placement.id in result:
            continue
        for one in reversed(made):
            if one.id not in used and when(one) <= when(placement):
                used.add(one.id)
                result[placement.id] = one
                break
    return result
