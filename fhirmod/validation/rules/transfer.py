"""Rules about sending a woman on with a balloon in place."""

from datetime import datetime
from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import when
from fhirmod.episode import Custody, Transfer, VitalSigns
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Told, at, rule
from fhirmod.validation.words import clock, lasting, listed, shown

_OBSERVED = "watch.every_min.in_transit"


@rule("departure-incomplete", "soon", "warning", source=sources.PRACTICE, parameters=(_OBSERVED,))
def departure_incomplete(facts: Facts) -> Told:
    """Departed, and the handover lacks where to, who accepted, who goes with her, last values or the volume."""
    left = [one for one in facts.all(Transfer) if one.step == "departed"]
    if not left or not facts.live or facts.care.holders[-1].word != "on-the-way":
        return
    departed = left[-1]
    missing = [name for name, there in _facts_of(facts, departed) if not there]
    if missing:
        yield (
            at(departed, "step"),
            f"Departure is recorded at {clock(when(departed), facts)}; not recorded: {listed(missing)}.",
        )


def _facts_of(facts: Facts, departed: Transfer) -> list[tuple[str, bool]]:
    moment = when(departed)
    since = moment - facts.of(_OBSERVED).duration
    volume = facts.balloons[-1].cavity.volume.ml if facts.balloons and facts.balloons[-1].in_place else Decimal(0)
    steps = facts.all(Transfer)
    return [
        ("the receiving facility", any(one.to_facility is not None for one in steps)),
        ("who accepted her", any(one.answer == "accepted" for one in facts.all(Custody))),
        ("who goes with her", any(one.escort is not None for one in steps)),
        ("vital signs within one interval of departure", any(since <= when(one) for one in facts.all(VitalSigns))),
        ("the volume in the balloon", isinstance(volume, Decimal)),
    ]


@rule("arrival-not-accepted", "soon", "warning", source=sources.PRACTICE, parameters=("transfer.acceptance_min",))
def arrival_not_accepted(facts: Facts) -> Told:
    """Arrived, and nobody recorded as having accepted her within the site's time."""
    limit = facts.of("transfer.acceptance_min")
    arrived = facts.care.arrived_at
    if not isinstance(arrived, datetime) or not facts.live or facts.care.holders[-1].word != "on-the-way":
        return
    last = [one for one in facts.all(Transfer) if one.step == "arrived"][-1]
    if facts.now > arrived + limit.duration:
        yield (
            at(last, "step", arrived + limit.duration),
            (
                f"Arrival is recorded at {clock(arrived, facts)}, {lasting(arrived, facts.now)} ago, and no "
                f"acceptance by name since; the site's time is {shown(limit.value)} min."
            ),
        )


@rule("declined", "soon", "warning", source=sources.PRACTICE)
def declined(facts: Facts) -> Told:
    """The last answer to a request to take her is a refusal or a diversion, and no other is recorded."""
    for last in facts.all(Custody)[-1:]:
        if last.answer != "accepted" and facts.live:
            yield (
                at(last, "answer"),
                (
                    f"The last answer of a receiving team, at {clock(when(last), facts)}, is {last.answer}; no "
                    "acceptance is recorded since."
                ),
            )


@rule("transfer-incomplete", "review", "information", source=sources.PRACTICE)
def transfer_incomplete(facts: Facts) -> Told:
    """A transfer with a time missing: departure, arrival or acceptance."""
    steps = {one.step for one in facts.all(Transfer)}
    if not steps & {"departed", "arrived"}:
        return
    accepted = any(one.answer == "accepted" for one in facts.all(Custody))
    missing = [name for name in ("departed", "arrived") if name not in steps] + ([] if accepted else ["accepted"])
    if missing:
        yield (
            at(facts.all(Transfer)[0], "step"),
            f"Of the transfer these times are missing: {listed(missing)}.",
        )
