"""Who has had the woman in their care: the facility, the escort from departure, whoever accepted on arrival."""

from dataclasses import dataclass
from datetime import datetime

from fhirmod.episode import Custody, Opening, Person, Transfer

from .view import View
from .when import when
from .why import Why


@dataclass(frozen=True, slots=True)
class Holder:
    """One stretch of care.

    Shape: `word` is facility | on-the-way | accepted-by; `who` the facility, escort or accepting person as recorded.
    """

    word: str
    who: str
    since: datetime | Why


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


def care(view: View) -> Care:
    """Return who has had her in their care.

    Shape: an acceptance before departure is a promise; care moves when she is accepted after arriving, or by a
           handover within the house.
    Source: sources.PRACTICE.
    """
    opened = view.all(Opening)
    first = opened[-1] if opened else None
    holders = [
        Holder("facility", Why.NOT_RECORDED, Why.NOT_RECORDED)
        if first is None
        else Holder("facility", first.facility.name or first.facility.id, when(first))
    ]
    answers: list[Answer] = []
    leaving, away, arrived = False, False, None
    steps: list[Transfer | Custody] = [*view.all(Transfer), *view.all(Custody)]
    for step in sorted(steps, key=when):
        if isinstance(step, Custody):
            answers.append(Answer(step.answer, _who(step), when(step)))
            if step.answer == "accepted" and (arrived is not None if away else not leaving):
                holders.append(Holder("accepted-by", _who(step), when(step)))
                leaving, away, arrived = False, False, None
        elif step.step in ("decided", "called"):
            leaving = True
        elif step.step == "departed":
            leaving, away, arrived = False, True, None
            holders.append(Holder("on-the-way", step.escort or Why.NOT_RECORDED, when(step)))
        else:
            away, arrived = True, when(step)
    accepted = [one for one in answers if one.answer == "accepted"]
    return Care(
        tuple(holders),
        tuple(answers),
        accepted[-1].who if accepted else Why.NOT_RECORDED,
        next((when(one) for one in reversed(view.all(Transfer)) if one.step == "arrived"), Why.NOT_RECORDED),
    )


def _who(step: Custody) -> str:
    """Return the accepting person's role and id, and the facility, as far as recorded."""
    parts = [_person(step.performed_by), step.facility.name or step.facility.id if step.facility else None]
    return ", ".join(part for part in parts if part) or Why.NOT_RECORDED


def _person(person: Person | None) -> str | None:
    if person is None:
        return None
    return f"{person.role} {person.id}" if person.role else person.id
