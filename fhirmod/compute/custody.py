"""Who has had the woman in their care: the facility, the escort from departure, whoever accepted on arrival."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fhirmod.episode import Custody, Entry, Facility, Opening, Person, Transfer

from .view import View
from .when import when
from .why import Why

NOT_STATED = "not stated"  # the facility of an opening that a partner's case implies without naming one


@dataclass(frozen=True, slots=True)
class Holder:
    """One stretch of care.

    Shape: `word` is facility | on-the-way | accepted-by; `who` the facility, escort or accepting person as recorded.
           `facility` has custody: on the way still the one she left, and after an acceptance that names none the
           one the journey was to, else still the one she left.
    """

    word: str
    who: str
    since: datetime | Why
    facility: str | Why


@dataclass(frozen=True, slots=True)
class Answer:
    """One answer to a request to take her: accepted, declined or diverted, by name and role."""

    answer: str
    who: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Care:
    """The trail of care and every answer given; the last holder has her now.

    Shape: `accepted_by` is the last who accepted, also when they only promised to before she left.
    """

    holders: tuple[Holder, ...]
    answers: tuple[Answer, ...]
    accepted_by: str
    arrived_at: datetime | Why


@dataclass(frozen=True, slots=True)
class Copy:
    """Whether the record kept here is the one that care is recorded in, or a copy that may have grown old.

    Shape: `word` is custodian | last-known, or why it cannot be told; `custodian` the facility that has custody and
           `since` when it accepted her; `left_at` when custody left here.
    """

    word: Literal["custodian", "last-known"] | Why
    custodian: str | Why
    since: datetime | Why
    left_at: datetime | Why


def care(view: View) -> Care:
    """Return who has had her in their care.

    Units:  none.
    Shape: an acceptance before departure is a promise; care moves when she is accepted after arriving, or by a
           handover within the house.
    Errors: none.
    Source: sources.PRACTICE.
    """
    return care_of(view.entries)


def care_of(entries: Iterable[Entry]) -> Care:
    """Return who has had her in their care, from standing entries in order of time; no clock.

    Units:  none.
    Errors: none.
    Source: sources.PRACTICE.
    """
    entries = [one for one in entries if isinstance(one, Opening | Transfer | Custody)]
    opened = [one for one in entries if isinstance(one, Opening)]
    holders = [_first(opened[-1] if opened else None)]
    answers: list[Answer] = []
    leaving, away = False, False
    arrived: datetime | None = None
    to: Facility | None = None
    for step in sorted((one for one in entries if isinstance(one, Transfer | Custody)), key=_steps_first):
        if isinstance(step, Custody):
            answers.append(Answer(step.answer, _who(step), when(step)))
            if step.answer == "accepted" and (arrived is not None if away else not leaving):
                named = step.facility or (to if away else None)
                keeper = holders[-1].facility if named is None else named.id
                holders.append(Holder("accepted-by", _who(step), when(step), keeper))
                leaving, away, arrived, to = False, False, None, None
            continue
        to = step.to_facility or to
        if step.step in ("decided", "called"):
            leaving = True
        elif step.step == "departed":
            leaving, away, arrived = False, True, None
            holders.append(Holder("on-the-way", step.escort or Why.NOT_RECORDED, when(step), holders[-1].facility))
        else:
            away, arrived = True, when(step)
    accepted = [one for one in answers if one.answer == "accepted"]
    arrivals = [when(one) for one in entries if isinstance(one, Transfer) and one.step == "arrived"]
    return Care(
        tuple(holders),
        tuple(answers),
        accepted[-1].who if accepted else Why.NOT_RECORDED,
        arrivals[-1] if arrivals else Why.NOT_RECORDED,
    )


def copy_of(trail: Care, kept_for: Collection[str] | None) -> Copy:
    """Return whether the record kept for these facilities is the custodian's.

    Units:  none.
    Shape: custody moves with acceptance and not before; where no facility was ever stated, it is the custodian's.
           `kept_for` None says that nobody asked.
    Errors: none.
    Source: sources.PRACTICE.
    """
    keeper = trail.holders[-1].facility
    since: datetime | Why = Why.NOT_RECORDED
    left: datetime | Why = Why.NOT_APPLICABLE
    for one in reversed(trail.holders):
        if one.facility != keeper:
            break
        since = one.since
    if kept_for is None:
        return Copy(Why.NOT_APPLICABLE, keeper, since, left)
    ours = isinstance(keeper, Why) or keeper in kept_for
    held = [number for number, one in enumerate(trail.holders) if one.facility in kept_for]
    if held and not ours:
        left = trail.holders[held[-1] + 1].since
    return Copy("custodian" if ours else "last-known", keeper, since, left)


def _first(opened: Opening | None) -> Holder:
    if opened is None:
        return Holder("facility", Why.NOT_RECORDED, Why.NOT_RECORDED, Why.NOT_RECORDED)
    named = opened.facility
    keeper: str | Why = Why.NOT_RECORDED if named.id == NOT_STATED else named.id
    return Holder("facility", named.name or named.id, when(opened), keeper)


def _steps_first(step: Transfer | Custody) -> tuple[datetime, bool]:
    """Return the key that puts a step of the journey before an acceptance at the same instant."""
    return when(step), isinstance(step, Custody)


def _who(step: Custody) -> str:
    """Return the accepting person's role and id, and the facility, as far as recorded."""
    parts = [_person(step.performed_by), step.facility.name or step.facility.id if step.facility else None]
    return ", ".join(part for part in parts if part) or Why.NOT_RECORDED


def _person(person: Person | None) -> str | None:
    if person is None:
        return None
    return f"{person.role} {person.id}" if person.role else person.id
