"""Rules about letting a balloon down and taking it out, and about what may be left inside."""

from datetime import datetime
from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import when
from fhirmod.episode import (
    Complication,
    Conditions,
    DeflationTrial,
    Entry,
    Help,
    Packing,
    Removal,
    Surgery,
    Withdrawal,
)
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import clock, lasting, shown

_AT_HAND = ("senior_present", "theatre_ready", "blood_ready", "iv_access")


@rule("emptying-without-backup", "soon", "warning", source=sources.PRACTICE)
def emptying_without_backup(facts: Facts) -> Told:
    """Emptying begun, and nothing recorded of who and what was at hand."""
    if not facts.live or not facts.balloons or facts.all(Surgery):
        return
    first = _emptying(facts)
    if first is None or any(getattr(one, name) is not None for one in facts.all(Removal) for name in _AT_HAND):
        return
    known = [
        one for one in facts.all(Conditions) if one.surgery_reachable is not None or one.blood_reachable is not None
    ]
    if not known and not any(one.step == "arrived" for one in facts.all(Help)):
        yield (
            at(first, "at"),
            (
                f"Emptying is recorded from {clock(when(first), facts)}; who and what was at hand (senior, theatre, "
                "blood, venous access) is not recorded."
            ),
        )


def _emptying(facts: Facts) -> Entry | None:
    """Return the first entry that lets the last balloon down on purpose, or takes it out."""
    ledger = facts.ledgers[-1]
    begun: list[Entry] = [
        one for one in ledger.withdrawals if isinstance(one, Withdrawal) and one.purpose in ("trial", "emptying")
    ]
    opened = when(ledger.opened)
    begun += [one for one in facts.all(DeflationTrial) if one.step == "start" and when(one) >= opened]
    if ledger.end is not None and ledger.end[0] in ("removed", "pulled"):
        begun.append(ledger.end[1])
    return min(begun, key=when, default=None)


@rule("emptied-in-trial", "soon", "warning", source=sources.PRACTICE, parameters=("trial.watch_low_min",))
def emptied_in_trial(facts: Facts) -> Told:
    """Emptied or taken out while a trial ran: before its watch was over, with no result recorded."""
    least = facts.of("trial.watch_low_min")
    for balloon in facts.balloons:
        for trial in balloon.trials:
            if trial.result != "result-not-recorded" or not isinstance(trial.end, datetime) or not facts.live:
                continue
            short = isinstance(trial.watched_min, Decimal) and trial.watched_min < least.value
            yield (
                Place(balloon.placement, f"trial-{trial.n}", trial.end),
                f"Emptying is recorded at {clock(trial.end, facts)}, {lasting(trial.start, trial.end)} after the trial "
                f"of balloon {balloon.n} began, and no result of it is recorded"
                + (f"; the site's watch is {shown(least.value)} min or more." if short else "."),
            )


@rule("trial-without-result", "soon", "information", source=sources.PRACTICE, parameters=("trial.watch_high_min",))
def trial_without_result(facts: Facts) -> Told:
    """A trial that runs longer than the site's watch, with no result recorded."""
    limit = facts.of("trial.watch_high_min")
    for balloon in facts.balloons:
        for trial in balloon.trials[-1:]:
            if trial.result == "running" and facts.live and facts.now > trial.start + limit.duration:
                yield (
                    Place(balloon.placement, f"trial-{trial.n}", trial.start + limit.duration),
                    (
                        f"The trial of balloon {balloon.n} is recorded as begun at {clock(trial.start, facts)}, "
                        f"{lasting(trial.start, facts.now)} ago, and no result is recorded; the site's watch is up to "
                        f"{shown(limit.value)} min."
                    ),
                )


@rule("packs-left", "soon", "warning", source=sources.PRACTICE)
def packs_left(facts: Facts) -> Told:
    """More packs recorded in than out once the balloon is out or the record is closed: the difference stays open."""
    over = facts.closure.word == "closed" or (bool(facts.balloons) and facts.balloons[-1].is_out)
    counted, first = facts.packs.open, next(iter(facts.all(Packing)), None)
    if first is not None and over and isinstance(counted, Decimal) and counted > 0:
        yield (
            at(first, "packs", _ended(facts)),
            (
                f"{shown(facts.packs.into if isinstance(facts.packs.into, Decimal) else counted)} packs are recorded "
                f"in and {shown(facts.packs.out if isinstance(facts.packs.out, Decimal) else Decimal(0))} out; "
                f"{shown(counted)} stay open."
            ),
        )


@rule("packs-miscounted", "soon", "warning", source=sources.PRACTICE)
def packs_miscounted(facts: Facts) -> Told:
    """More packs recorded out than in."""
    counted = facts.packs.open
    out = [one for one in facts.all(Packing) if one.action == "out"]
    if out and isinstance(counted, Decimal) and counted < 0:
        yield (
            at(out[-1], "packs"),
            f"{shown(-counted)} more packs are recorded out than in; an entry for packs is missing or wrong.",
        )


def _ended(facts: Facts) -> datetime | None:
    """Return when the last balloon came out, if that is known."""
    end = facts.balloons[-1].out.at if facts.balloons else None
    return end if isinstance(end, datetime) else facts.closure.since


@rule("retained-unresolved", "soon", "warning", source=sources.PRACTICE)
def retained_unresolved(facts: Facts) -> Told:
    """A balloon or pack recorded as retained, and no operation, removal or pack out recorded since."""
    for one in facts.all(Complication):
        since = when(one)
        match one.complication:
            case "retained-balloon":
                out = facts.first_since(since, (Removal,)) is not None
            case "retained-pack":
                out = any(pack.action == "out" and when(pack) >= since for pack in facts.all(Packing))
            case _:
                continue
        if not out and facts.first_since(since, (Surgery,)) is None and facts.view.death is None:
            yield (
                at(one, "complication"),
                (
                    f"A {one.complication.replace('-', ' ')} is recorded at {clock(when(one), facts)}; what became "
                    "of it is not recorded."
                ),
            )
