"""Rules about bleeding under a balloon, when it is let down, and after it is out; and what counts as an answer."""

from datetime import datetime

from fhirmod import sources
from fhirmod.compute import Balloon, when
from fhirmod.episode import (
    BleedingResponse,
    Decision,
    Entry,
    Examination,
    Expulsion,
    Fill,
    Help,
    Manoeuvre,
    Packing,
    Placement,
    Surgery,
    Transfer,
)
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Told, at, rule
from fhirmod.validation.words import clock, lasting

_BLEEDS = ("not-stopped", "returned")
_DECIDED = (Decision, Surgery, Transfer, Placement)
_DONE = (Fill, Examination, Manoeuvre, Packing, Help)
_DECISION = "decision.tamponade_high_min"


@rule("bleeding-not-stopped", "now", "warning", source=sources.CONDOUS_2003, parameters=(_DECISION,))
def bleeding_not_stopped(facts: Facts) -> Told:
    """Bleeding recorded as not stopped after filling, or as returned under the balloon, with no answer recorded."""
    balloon = _last(facts)
    if balloon is None or not balloon.in_place or _let_down(facts, balloon):
        return
    filled = _first_filled(facts, balloon)
    run = _run(facts, _BLEEDS, filled)
    if not run or _answered(facts, run):
        return
    since, word, first = run[0]
    if word == "not-stopped" and facts.now < filled + facts.of(_DECISION).duration:
        return
    yield (
        at(first, "response"),
        (
            f"Bleeding is recorded as {_said(word)} since {clock(since, facts)}, {lasting(filled, facts.now)} after "
            "the first fill, and no answer to it is recorded here; your protocol's step for a balloon that does not "
            "hold applies."
        ),
    )


@rule("bleeding-let-down", "now", "warning", source=sources.PRACTICE)
def bleeding_let_down(facts: Facts) -> Told:
    """Bleeding recorded in a trial, while the balloon is let down, or after it came out, with no answer recorded."""
    balloon = _last(facts)
    if balloon is None or not (_let_down(facts, balloon) or balloon.is_out):
        return
    run = _run(facts, _BLEEDS, _let_down_at(facts, balloon))
    if not run or _answered(facts, run):
        return
    since, _, first = run[0]
    phase = "after the balloon came out" if balloon.is_out else "with the balloon let down"
    yield (
        at(first, "response" if isinstance(first, BleedingResponse) else "result"),
        (
            f"Bleeding is recorded {phase} since {clock(since, facts)}, and no answer to it is recorded here; your "
            "protocol's step for bleeding in a trial or after removal applies."
        ),
    )


@rule("bleeding-reduced", "soon", "information", source=sources.CONDOUS_2003, parameters=(_DECISION,))
def bleeding_reduced(facts: Facts) -> Told:
    """Bleeding recorded as reduced, not stopped, past the time of the decision, with no decision recorded."""
    balloon = _last(facts)
    if balloon is None or not balloon.in_place or _let_down(facts, balloon) or not facts.live:
        return
    filled = _first_filled(facts, balloon)
    run = _run(facts, ("reduced",), filled)
    if not run or facts.now < filled + facts.of(_DECISION).duration or facts.first_since(filled, _DECIDED) is not None:
        return
    yield (
        at(run[0][2], "response"),
        (
            f"Bleeding is recorded as reduced, not stopped, since {clock(run[0][0], facts)}, "
            f"{lasting(filled, facts.now)} after the first fill, and no decision is recorded since."
        ),
    )


@rule("bleeding-not-looked-at", "soon", "information", source=sources.CONDOUS_2003, parameters=(_DECISION,))
def bleeding_not_looked_at(facts: Facts) -> Told:
    """A balloon filled, and no look at the bleeding recorded within the time of the decision."""
    balloon = _last(facts)
    if balloon is None or not balloon.in_place or not facts.live or not facts.ledgers[-1].fills:
        return
    filled = _first_filled(facts, balloon)
    if facts.now < filled + facts.of(_DECISION).duration or any(at_ >= filled for at_, _, _ in facts.looks):
        return
    yield (
        at(facts.ledgers[-1].fills[0], "volume_ml"),
        (
            f"The first fill is recorded at {clock(filled, facts)} and no look at the bleeding since; how it "
            "answered is not known here."
        ),
    )


@rule("expulsion-unanswered", "soon", "warning", source=sources.PRACTICE, parameters=("watch.tolerance_min",))
def expulsion_unanswered(facts: Facts) -> Told:
    """A balloon recorded as expelled, and nothing recorded since of the bleeding or of what followed."""
    for expulsion in facts.all(Expulsion)[-1:]:
        since = when(expulsion)
        late = facts.now > since + facts.of("watch.tolerance_min").duration
        if not late or not facts.live or any(seen >= since for seen, _, _ in facts.looks):
            return
        if facts.first_since(since, (*_DECIDED, Examination)) is None:
            yield (
                at(expulsion, "at"),
                (
                    f"The balloon is recorded as expelled at {clock(since, facts)}; neither the bleeding nor a further "
                    "step is recorded since."
                ),
            )


def _last(facts: Facts) -> Balloon | None:
    return facts.balloons[-1] if facts.balloons else None


def _first_filled(facts: Facts, balloon: Balloon) -> datetime:
    """Return when the first filling of a balloon began, else when it was placed, else when the record began."""
    fills = facts.ledgers[balloon.n - 1].fills
    if fills:
        return when(fills[0])
    return balloon.placed.at if isinstance(balloon.placed.at, datetime) else facts.began


def _let_down(facts: Facts, balloon: Balloon) -> bool:
    """Return whether fluid was let out of a balloon in place since its last fill, or a trial runs."""
    return balloon.in_place and (balloon.state == "part-emptied" or balloon.trial.startswith("running"))


def _let_down_at(facts: Facts, balloon: Balloon) -> datetime:
    """Return since when looks speak of the balloon let down or out: the first letting down after its last fill."""
    ledger = facts.ledgers[balloon.n - 1]
    filled = facts.began if ledger.last_fill is None else when(ledger.last_fill)
    starts = [one.start for one in balloon.trials if one.start >= filled]
    starts += [when(one) for one in ledger.withdrawals if when(one) >= filled]
    if balloon.is_out and isinstance(balloon.out.at, datetime):
        starts.append(balloon.out.at)
    return min(starts, default=filled)


def _run(facts: Facts, words: tuple[str, ...], start: datetime) -> list[tuple[datetime, str, Entry]]:
    """Return the unbroken run of looks since a moment, up to the last one, that say one of these words."""
    run: list[tuple[datetime, str, Entry]] = []
    for look in reversed(facts.looks):
        if look[1] not in words or look[0] < start:
            break
        run.append(look)
    return run[::-1]


def _answered(facts: Facts, run: list[tuple[datetime, str, Entry]]) -> bool:
    """Return whether what was seen is answered: decided on since it began, or something done since it was last seen."""
    if not facts.live:
        return True
    decided = [one for one in _since(facts, run[0][0], _DECIDED) if not _is_stop(one)]
    return bool(decided) or bool(_since(facts, run[-1][0], _DONE))


def _since(facts: Facts, moment: datetime, kinds: tuple[type[Entry], ...]) -> list[Entry]:
    return [one for kind in kinds for one in facts.all(kind) if when(one) >= moment and _counts(one)]


def _counts(entry: Entry) -> bool:
    """Return whether an entry answers bleeding: fluid into the cavity and packs in do, the other ways do not."""
    if isinstance(entry, Fill):
        return entry.compartment == "cavity"
    return not isinstance(entry, Packing) or entry.action == "in"


def _is_stop(entry: Entry) -> bool:
    return isinstance(entry, Decision) and entry.choice == "stop"


def _said(word: str) -> str:
    return word.replace("-", " ")
