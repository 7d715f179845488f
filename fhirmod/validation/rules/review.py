"""Rules for the end of a record: what a reader, the registry or a review would miss; quiet at the bedside."""

from datetime import datetime

from fhirmod import sources
from fhirmod.episode import Absent, Birth, FollowUp, Newborn, Outcome
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule


@rule("birth-time-missing", "review", "information", source=sources.PRACTICE)
def birth_time_missing(facts: Facts) -> Told:
    """No birth recorded, or its time not known: intervals from birth cannot be computed."""
    births = facts.all(Birth)
    if not births:
        yield Place(None, "birth"), "No birth is recorded; intervals that count from it are missing."
    elif births[-1].span is None:
        yield at(births[-1], "at"), "The time of birth is not known; intervals that count from it are missing."


@rule("placement-time-missing", "review", "information", source=sources.PRACTICE)
def placement_time_missing(facts: Facts) -> Told:
    """A balloon whose time of placement is not known: its time in place cannot be computed."""
    for one in facts.balloons:
        if not isinstance(one.placed.at, datetime):
            yield Place(one.placement, "at"), f"The time of placement of balloon {one.n} is not known."


@rule("txa-not-recorded", "review", "information", source=sources.WHO_2017_TXA)
def txa_not_recorded(facts: Facts) -> Told:
    """Tranexamic acid neither recorded as given nor as not given: not recorded is not "not given"."""
    if facts.balloons and facts.txa.first == "not-recorded":
        yield Place(None, "medication"), "Tranexamic acid is recorded neither as given nor as not given."


@rule("outcome-missing", "review", "information", source=sources.PRACTICE)
def outcome_missing(facts: Facts) -> Told:
    """No outcome of this stay recorded."""
    if facts.view.death is None and not any(isinstance(one.status, str) for one in facts.all(Outcome)):
        yield Place(None, "outcome"), "How she was at the end of this stay is not recorded."


@rule("follow-up-missing", "review", "information", source=sources.PRACTICE)
def follow_up_missing(facts: Facts) -> Told:
    """No status at a later day recorded."""
    if facts.view.death is None and not any(isinstance(one.status, str) for one in facts.all(FollowUp)):
        yield Place(None, "follow-up"), "Her status at a later day (42 days is usual) is not recorded."


@rule("newborn-missing", "review", "information", source=sources.PRACTICE)
def newborn_missing(facts: Facts) -> Told:
    """A birth recorded, and how the baby is not recorded."""
    births = facts.all(Birth)
    if births and not facts.all(Newborn):
        yield at(births[-1], "baby"), "How the baby is, is not recorded."


@rule("bleeding-at-15-missing", "review", "information", source=sources.PRACTICE)
def bleeding_at_15_missing(facts: Facts) -> Told:
    """No look at the bleeding recorded in the first 15 minutes after the first fill."""
    for one in facts.balloons:
        if one.stop.bleeding_at_15_min == "not-recorded":
            yield (
                Place(one.placement, "bleeding"),
                f"How the bleeding was 15 min after filling balloon {one.n} is not recorded.",
            )


@rule("times-not-known", "review", "information", source=sources.PRACTICE)
def times_not_known(facts: Facts) -> Told:
    """Entries whose time is not known: they stand where they were recorded."""
    unknown = [one for one in facts.view.entries if isinstance(one.at, Absent)]
    if unknown:
        yield at(unknown[0], "at"), f"{len(unknown)} entries have no known time and stand where they were recorded."
