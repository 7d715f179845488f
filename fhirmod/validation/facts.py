"""What rules read: the entries that stand at a moment, and each computed part when it is first asked for."""

from collections.abc import Collection, Iterable
from datetime import datetime
from functools import cached_property
from typing import TypeVar

from fhirmod.compute import (
    Balloon,
    Care,
    Closure,
    Fundus,
    Interval,
    Ledger,
    NextCheck,
    Packs,
    State,
    Txa,
    View,
    balloons,
    care,
    closure,
    copy_of,
    fundus,
    next_check,
    packs,
    timings,
    txa,
    when,
)
from fhirmod.episode import Absent, BleedingResponse, DeflationTrial, Entry, Episode, Received, Threshold

E = TypeVar("E", bound=Entry)


class Facts:
    """One episode at a moment, as rules read it; nothing here changes.

    Shape: a `state` computed before spares computing its parts again.
    """

    def __init__(
        self, episode: Episode, view: View, state: State | None = None, kept_for: Collection[str] | None = None
    ) -> None:
        self.episode, self.view, self._state, self._kept_for = episode, view, state, kept_for
        self.now = view.now

    def all(self, kind: type[E]) -> list[E]:
        """Return the standing entries of one kind, in order of time."""
        return self.view.all(kind)

    def of(self, name: str) -> Threshold:
        """Return a parameter of the site protocol."""
        return self.view.protocol.of(name)

    @cached_property
    def known(self) -> list[Received]:
        """Return what had been received, standing or not."""
        known_at = self.view.known_at
        return [one for one in self.episode.received if known_at is None or one.at <= known_at]

    @cached_property
    def balloons(self) -> tuple[Balloon, ...]:
        """Return every balloon in order of placement."""
        return balloons(self.view) if self._state is None else self._state.balloons

    @property
    def ledgers(self) -> tuple[Ledger, ...]:
        """Return the ledger of each balloon."""
        return self.view.ledgers.balloons

    @cached_property
    def care(self) -> Care:
        """Return who has had her in their care."""
        return care(self.view) if self._state is None else self._state.care

    @cached_property
    def fundus(self) -> Fundus:
        """Return the fundus against its baseline."""
        return fundus(self.view) if self._state is None else self._state.fundus

    @cached_property
    def packs(self) -> Packs:
        """Return the packs counted in and out."""
        return packs(self.view.entries) if self._state is None else self._state.packs

    @cached_property
    def txa(self) -> Txa:
        """Return what is recorded of tranexamic acid."""
        return txa(self.view) if self._state is None else self._state.txa

    @cached_property
    def timings(self) -> tuple[Interval, ...]:
        """Return the timeliness intervals."""
        return timings(self.view, self.balloons) if self._state is None else self._state.timings

    @cached_property
    def next_check(self) -> NextCheck:
        """Return when the next full round is due."""
        return next_check(self.view, self.balloons)

    @cached_property
    def closure(self) -> Closure:
        """Return whether the record is open, closed, or reopened."""
        return closure(self.view.entries)

    @property
    def began(self) -> datetime:
        """Return when the first standing entry happened."""
        return when(self.view.entries[0]) if self.view.entries else self.now

    @cached_property
    def live(self) -> bool:
        """Return whether the course goes on here: she is not recorded as dead, nor the record as closed or a copy."""
        if self.view.death is not None or self.closure.word == "closed":
            return False
        return copy_of(self.care, self._kept_for).word != "last-known"

    @cached_property
    def looks(self) -> list[tuple[datetime, str, Entry]]:
        """Return every look at the bleeding in order of time: when, the word, the entry.

        Shape: a trial that is recorded as ended by bleeding is a look too; "not done" is none.
        """
        seen: list[tuple[datetime, str, Entry]] = []
        for look in self.all(BleedingResponse):
            if isinstance(look.response, str):
                seen.append((when(look), look.response, look))
            elif isinstance(look.response, Absent) and look.response.absent != "not-done":
                seen.append((when(look), "not-known", look))
        ended = [one for one in self.all(DeflationTrial) if one.result == "bleeding-returned"]
        seen.extend((when(one), "returned", one) for one in ended)
        return sorted(seen, key=lambda one: one[0])

    def first_since(self, moment: datetime, kinds: Iterable[type[Entry]]) -> Entry | None:
        """Return the first entry of these kinds at or after a moment."""
        found = [one for kind in kinds for one in self.all(kind) if when(one) >= moment]
        return min(found, key=when, default=None)
