"""What a rule is: one function under `@rule`, its tier, severity, source and parameters; `RULES` is the one index."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime

from fhirmod.episode import Entry, Threshold
from fhirmod.errors import Severity, Tier
from fhirmod.sources import Source

from .facts import Facts


@dataclass(frozen=True, slots=True)
class Place:
    """Where a rule found something.

    Shape: `entry` is the id of the entry that began it (None for the episode as a whole), `field` the name of what
           is meant; both make the finding's key. `since` is given where it is not the time of that entry.
    """

    entry: str | None
    field: str
    since: datetime | None = None

    def __str__(self) -> str:
        return self.field if self.entry is None else f"entries.where(id='{self.entry}').{self.field}"


@dataclass(frozen=True, slots=True)
class Grounds:
    """What one finding rests on, where not all that may decide its rule decided it.

    Shape: `source` is that of what began it; `limits` are the thresholds crossed, each with a source of its own.
    """

    source: Source
    limits: tuple[Threshold, ...]


Told = Iterator[tuple[Place, str] | tuple[Place, str, Grounds]]
Check = Callable[[Facts], Told]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule.

    Shape: `text` is the rule in words; `parameters` are the names in the site protocol that may decide it; a finding
           names those that did, and has the rule's source, unless the rule gives the `Grounds` of this one.
    """

    id: str
    tier: Tier
    severity: Severity
    source: Source
    parameters: tuple[str, ...]
    text: str
    check: Check


RULES: dict[str, Rule] = {}


def rule(
    id: str, tier: Tier, severity: Severity, *, source: Source, parameters: tuple[str, ...] = ()
) -> Callable[[Check], Check]:
    """Return the decorator that enters a function in the catalogue under an id of its own."""

    def enter(check: Check) -> Check:
        text = (check.__doc__ or "").partition("\n")[0]
        if id in RULES or not text:
            raise ValueError(f"The rule {id!r} needs an id of its own and a docstring.")
        RULES[id] = Rule(id, tier, severity, source, parameters, text, check)
        return check

    return enter


def at(entry: Entry, field: str, since: datetime | None = None) -> Place:
    """Return the place of a field of an entry."""
    return Place(entry.id, field, since)


def catalogue() -> tuple[Rule, ...]:
    """Return every rule: those that may interrupt first, then by name.

    >>> [one.id for one in catalogue() if one.tier == "now"][:2]
    ['bleeding-let-down', 'bleeding-not-stopped']
    """
    tiers = ("now", "soon", "review")
    return tuple(sorted(RULES.values(), key=lambda one: (tiers.index(one.tier), one.id)))
