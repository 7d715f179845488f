"""What is computed from: the entries that stand, the moment asked about, and where death stops the clocks."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from typing import TypeVar

from fhirmod.episode import Entry, Episode, FollowUp, Outcome, Protocol

from .ledger import Ledgers, died, ledgers
from .loss import Added, added
from .trials import TRIAL_KINDS
from .when import when
from .why import Why

E = TypeVar("E", bound=Entry)


@dataclass(frozen=True)
class View:
    """The standing entries of an episode as of a moment, ordered, and grouped by kind.

    Shape: `heads` leads from any id of a chain of corrections to the id that stands.
    """

    episode: str
    entries: tuple[Entry, ...]
    as_of: datetime
    known_at: datetime | None
    protocol: Protocol
    heads: Mapping[str, str]
    last_received: datetime | Why = Why.NOT_RECORDED

    @classmethod
    def of(cls, episode: Episode, *, as_of: datetime, known_at: datetime | None, protocol: Protocol) -> "View":
        """Return the view of an episode; `known_at` hides what was received later."""
        entries = episode.standing(as_of=as_of, known_at=known_at)
        heads: dict[str, str] = {}
        for entry in entries:
            link: str | None = entry.corrects
            while link is not None and link not in heads:
                heads[link] = entry.id
                original = episode.by_id.get(link)
                link = original.entry.corrects if original is not None else None
        arrivals = [one.at for one in episode.received if known_at is None or one.at <= known_at]
        last = max(arrivals) if arrivals else Why.NOT_RECORDED
        return cls(episode.id, entries, as_of, known_at, protocol, heads, last)

    @cached_property
    def by_kind(self) -> dict[type[Entry], list[Entry]]:
        """Return the standing entries by their class, each list in order of time."""
        groups: dict[type[Entry], list[Entry]] = {}
        for entry in self.entries:
            groups.setdefault(type(entry), []).append(entry)
        return groups

    def all(self, kind: type[E]) -> list[E]:
        """Return the standing entries of one kind, in order of time."""
        return self.by_kind.get(kind, [])  # type: ignore[return-value]

    @cached_property
    def death(self) -> Outcome | FollowUp | None:
        """Return the first entry that says that she died, or None."""
        return next(
            (one for one in self.entries if isinstance(one, Outcome | FollowUp) and died(one)),
            None,
        )

    @cached_property
    def now(self) -> datetime:
        """Return the moment the clocks show: as of, but never after her death."""
        return self.as_of if self.death is None else min(self.as_of, when(self.death))

    @cached_property
    def course(self) -> list[Entry]:
        """Return the entries that tell how a balloon held: looks, trials, fills, withdrawals, ends."""
        return [one for one in self.entries if one.kind in TRIAL_KINDS]

    @cached_property
    def course_times(self) -> list[datetime]:
        """Return when each entry of `course` is placed."""
        return [when(one) for one in self.course]

    @cached_property
    def looks(self) -> list[Entry]:
        """Return the entries of the watch: vital signs, uterine checks and looks at the bleeding."""
        return [one for one in self.entries if one.kind in ("vital-signs", "uterine-check", "bleeding-response")]

    @cached_property
    def ledgers(self) -> Ledgers:
        """Return the balloons' ledgers."""
        return ledgers(self.entries, self.heads)

    @cached_property
    def added(self) -> tuple[Added, ...]:
        """Return what each blood-loss entry adds."""
        return added(self.entries)
