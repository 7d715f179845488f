"""From what the rules say to findings: one for each cause, keyed, since when, and until when acknowledged."""

from collections.abc import Collection, Iterator
from datetime import datetime

from fhirmod.compute import State, View, state, when
from fhirmod.episode import Acknowledgement, Episode, Protocol, Threshold, root_of
from fhirmod.errors import Finding, Tier

from .facts import Facts
from .rule import Place, Rule
from .rules import RULES

_TIERS: tuple[Tier, ...] = ("now", "soon", "review")


def findings(
    episode: Episode,
    *,
    as_of: datetime,
    known_at: datetime | None = None,
    protocol: Protocol,
    state: State | None = None,
    tiers: Collection[Tier] = _TIERS,
    kept_for: Collection[str] | None = None,
) -> tuple[Finding, ...]:
    """Return every open finding as of a moment: what may interrupt first, then by age.

    Shape:  one for each cause, with the same key while that cause stands; a pure function, nothing is stored. A
            `state` of the same moment spares computing its parts again. What is recorded as acknowledged says until
            when: one interval of the watch after the newest acknowledgement. `kept_for` are the facilities this
            record is kept for: on a copy of another's, nothing of the course is asked here.
    Errors: none for any episode.
    Source: each rule's own.
    """
    facts = Facts(episode, View.of(episode, as_of=as_of, known_at=known_at, protocol=protocol), state, kept_for)
    found: dict[str, tuple[datetime, Finding]] = {}
    for rule in RULES.values():
        if rule.tier in tiers:
            for key, since, finding in _of(rule, facts):
                found.setdefault(key, (since, finding))
    ordered = sorted(found.items(), key=lambda item: (_TIERS.index(item[1][1].tier or "review"), item[1][0], item[0]))
    return tuple(finding for _, (_, finding) in ordered)


def open_now(found: Collection[Finding], *, closed: bool = False) -> tuple[Finding, ...]:
    """Return those that a bedside shows: `now` and `soon`, and what is for review once the record is closed."""
    return tuple(one for one in found if closed or one.tier != "review")


def assessed(
    episode: Episode,
    *,
    as_of: datetime,
    known_at: datetime | None = None,
    protocol: Protocol,
    unread: Collection[str] = (),
    kept_for: Collection[str] | None = None,
) -> State:
    """Return the computed state with the findings a bedside shows; the seventh line says how many are open.

    Units:  as `fhirmod.compute.state`.
    Errors: none for any episode.
    """
    plain = state(episode, as_of=as_of, known_at=known_at, protocol=protocol, unread=unread, kept_for=kept_for)
    found = findings(episode, as_of=as_of, known_at=known_at, protocol=protocol, state=plain, kept_for=kept_for)
    return plain.with_findings(open_now(found, closed=plain.axes.record.word == "closed"))


def _of(rule: Rule, facts: Facts) -> Iterator[tuple[str, datetime, Finding]]:
    for told in rule.check(facts):
        place, sentence = told[:2]
        source, parameters = rule.source, tuple(_named(name, facts) for name in rule.parameters)
        if len(told) == 3:
            source, parameters = told[2].source, tuple(map(_cited, told[2].limits))
        key, since = _key(rule, place, facts), _since(place, facts)
        yield (
            key,
            since,
            Finding(
                severity=rule.severity,
                code=rule.id,
                issue="business-rule",
                place=str(place),
                sentence=sentence,
                tier=rule.tier,
                source=source,
                key=key,
                since=since,
                acknowledged_until=_until(key, facts),
                parameters=parameters,
            ),
        )


def _key(rule: Rule, place: Place, facts: Facts) -> str:
    """Return the key of a cause: the rule, the first entry of the chain it began with, and what is meant."""
    root = "episode" if place.entry is None else root_of(place.entry, facts.episode.chains.by_id)
    return f"{rule.id}:{root}:{place.field}"


def _since(place: Place, facts: Facts) -> datetime:
    if place.since is not None:
        return place.since
    received = facts.episode.by_id.get(place.entry or "")
    return facts.began if received is None else when(received.entry)


def _until(key: str, facts: Facts) -> datetime | None:
    """Return until when the newest acknowledgement of a finding lasts, or None if it is over."""
    seen = [when(one) for one in facts.all(Acknowledgement) if one.finding == key]
    if not seen:
        return None
    phase = facts.next_check.phase
    every = facts.view.protocol.since_fill[0].every if phase is None else phase.every
    until: datetime = max(seen) + every.duration
    return until if until > facts.view.as_of else None


def _named(name: str, facts: Facts) -> str:
    """Return a parameter with its value and source; one that the site left without a number is its name."""
    one = facts.view.protocol.thresholds.get(name)
    return name if one is None else _cited(one)


def _cited(one: Threshold) -> str:
    return f"{one.name} {one.value:f} {one.unit} ({one.source.marked})"
