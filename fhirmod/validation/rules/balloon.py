"""Rules about the balloon: its filling, its label, its time in place, and its faults."""

from datetime import datetime
from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import Ledger, fill_ml, number, when
from fhirmod.episode import (
    BleedingResponse,
    DeviceProblem,
    Examination,
    Fill,
    Placement,
    Removal,
    Surgery,
    VolumeStated,
)
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import clock, lasting, shown


@rule("resistance-not-examined", "soon", "warning", source=sources.PRACTICE)
def resistance_not_examined(facts: Facts) -> Told:
    """Resistance to filling recorded before the bleeding stopped, and no examination recorded since."""
    stopped = [when(one) for one in facts.all(BleedingResponse) if one.response == "stopped"]
    for fill in facts.all(Fill):
        met = when(fill)
        if fill.resistance != "yes" or any(one <= met for one in stopped):
            continue
        if facts.live and facts.first_since(met, (Examination, Surgery, Removal)) is None:
            yield (
                at(fill, "resistance"),
                (
                    f"Resistance to filling is recorded at {clock(met, facts)}, before the bleeding is recorded as "
                    "stopped; no examination of position or tears is recorded since."
                ),
            )
            return


@rule("past-dwell", "soon", "warning", source=sources.DWELL_USUAL, parameters=("dwell.latest_h",))
def past_dwell(facts: Facts) -> Told:
    """A balloon in place longer than the site's limit."""
    limit = facts.of("dwell.latest_h")
    for one in facts.balloons:
        if not one.in_place or not facts.live or not isinstance(one.placed.at, datetime):
            continue
        if one.dwell_against_limits.word == "over-latest":
            yield (
                Place(one.placement, "at", one.placed.at + limit.duration),
                (
                    f"Balloon {one.n} is recorded as in place for {lasting(one.placed.at, facts.now)}; the site's "
                    f"limit is {shown(limit.value)} h, past which your protocol's senior review applies."
                ),
            )


@rule("over-label", "soon", "warning", source=sources.PRACTICE)
def over_label(facts: Facts) -> Told:
    """More recorded in the cavity than the label of this balloon gives as its maximum."""
    if not facts.view.protocol.warns_above_label:
        return
    for one in facts.balloons:
        if one.in_place and facts.live and isinstance(one.over_label_ml, Decimal) and one.over_label_ml > 0:
            yield (
                Place(one.placement, "label_max_ml", _crossed(facts.ledgers[one.n - 1], one.facts["label_max_ml"])),
                (
                    f"Balloon {one.n} is recorded with {_ml(one.cavity.peak_ml)} mL at its fullest; its label gives "
                    f"{_ml(one.facts['label_max_ml'])} mL."
                ),
            )


def _ml(value: object) -> str:
    return shown(value) if isinstance(value, Decimal) else str(value)


def _crossed(ledger: Ledger, maximum: object) -> datetime | None:
    """Return when the running sum of fills first passed the label, withdrawals left aside."""
    total = Decimal(0)
    for fill in ledger.fills:
        total += fill_ml(fill) or Decimal(0)
        if isinstance(maximum, Decimal) and total > maximum:
            return when(fill)
    return None


@rule("fill-doubled", "soon", "warning", source=sources.PRACTICE, parameters=("fill.doubled_within_min",))
def fill_doubled(facts: Facts) -> Told:
    """A fill that looks recorded twice: by two people, or once more as the sum of those before it."""
    within = facts.of("fill.doubled_within_min").duration
    for ledger in facts.ledgers:
        for number_, fill in enumerate(ledger.fills):
            ml = fill_ml(fill)
            near = [one for one in ledger.fills[:number_] if when(fill) - when(one) <= within]
            amounts = [fill_ml(one) for one in near]
            twin = any(
                fill_ml(one) == ml and _by(one) != _by(fill) and None not in (_by(one), _by(fill)) for one in near
            )
            sum_ = len(near) > 1 and None not in amounts and sum(one or 0 for one in amounts) == ml
            if ml and (twin or sum_):
                yield (
                    at(fill, "volume_ml"),
                    (
                        f"The fill {fill.id} of {ml:f} mL equals "
                        f"{'one by another recorder' if twin else 'the sum of those'} within the "
                        f"{within.seconds // 60} min before it; it counts as a fill of its own."
                    ),
                )


def _by(fill: Fill) -> str | None:
    return fill.recorded_by.id if fill.recorded_by else None


@rule("fill-without-size", "soon", "information", source=sources.ARITHMETIC)
def fill_without_size(facts: Facts) -> Told:
    """A fill recorded in syringes without their size: not millilitres, so the volume is only a lower bound."""
    for ledger in facts.ledgers:
        for fill in ledger.fills:
            if (
                ledger.end is None
                and number(fill.syringes) is not None
                and fill_ml(fill) is None
                and _open(ledger, fill)
            ):
                yield (
                    at(fill, "syringe_ml"),
                    (
                        f"The fill {fill.id} is recorded in syringes without their size; the recorded volume of "
                        f"balloon {ledger.n} is at least what the other fills say."
                    ),
                )


def _open(ledger: Ledger, fill: Fill) -> bool:
    """Return whether the volume still is a lower bound: nobody stated what is in."""
    return fill.volume_ml is None and ledger.cavity.certainty != "known"


@rule("device-problem-unanswered", "soon", "warning", source=sources.PRACTICE)
def device_problem_unanswered(facts: Facts) -> Told:
    """A fault of the balloon in place recorded, and no examination, statement of volume, or removal since."""
    if not facts.balloons or not facts.balloons[-1].in_place or not facts.live:
        return
    for problem in facts.all(DeviceProblem)[-1:]:
        since = when(problem)
        placed = facts.balloons[-1].placed.at
        if isinstance(placed, datetime) and since < placed:
            return
        if facts.first_since(since, (Examination, VolumeStated, Removal, Placement, Surgery)) is None:
            yield (
                at(problem, "problem"),
                (
                    f"A fault of the balloon ({problem.problem}) is recorded at {clock(since, facts)}; neither an "
                    "examination nor a volume nor a removal is recorded since, and the recorded volume may not tell."
                ),
            )


@rule("displaced-unanswered", "soon", "warning", source=sources.PRACTICE)
def displaced_unanswered(facts: Facts) -> Told:
    """A balloon found displaced at an examination, and nothing recorded of what followed."""
    looked = [one for one in facts.all(Examination) if isinstance(one.position, str)]
    for seen in looked[-1:]:
        since = when(seen)
        later = [one for one in (Placement, Removal, Surgery) if facts.first_since(since, (one,)) is not None]
        in_place = bool(facts.balloons) and facts.balloons[-1].in_place
        if seen.position == "displaced" and in_place and facts.live and not later:
            yield (
                at(seen, "position"),
                f"The balloon is recorded as displaced at {clock(since, facts)}; no further step is recorded since.",
            )


@rule("balloon-expired", "soon", "warning", source=sources.PRACTICE)
def balloon_expired(facts: Facts) -> Told:
    """A balloon placed after the expiry recorded from its label."""
    for one in facts.balloons:
        expires, placed = str(one.facts["expires"]), one.placed.at
        if not one.in_place or not facts.live or not isinstance(placed, datetime) or not expires[:1].isdigit():
            continue
        if expires[:10] < placed.date().isoformat()[: len(expires)]:
            yield (
                Place(one.placement, "expires"),
                (
                    f"The expiry recorded for balloon {one.n} is {expires}; it is recorded as placed later, on "
                    f"{placed.date().isoformat()}."
                ),
            )


@rule("balloon-left-at-closure", "soon", "warning", source=sources.PRACTICE)
def balloon_left_at_closure(facts: Facts) -> Told:
    """The record closed with a balloon recorded as in place, and no transfer recorded."""
    if facts.closure.word != "closed" or facts.view.death is not None or len(facts.care.holders) > 1:
        return
    for one in facts.balloons:
        if one.in_place:
            yield (
                Place(one.placement, "id", facts.closure.since),
                f"The record is closed and balloon {one.n} is recorded as in place; how it came out is not recorded.",
            )
