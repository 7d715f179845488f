"""An episode as it stands at one version: the entries, and what was computed and assembled from them.

A snapshot is cached and used only while its version is the stored row's; computing it anew from the stored
resources gives the same (that is what `rebuild` proves).
"""

import threading
from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property

from fhirmod.compute import DUE_KINDS, Copy, State, care_of, closure, copy_of, due_items
from fhirmod.episode import Episode, Protocol, Received
from fhirmod.mapping import (
    ASSEMBLED_FROM,
    LOCAL_KINDS,
    Context,
    Image,
    UnreadResource,
    Values,
    assembled,
    due_images,
    local_keys,
    local_values,
    measures_of,
    summary_values,
    unread_kinds,
)
from fhirmod.store import EpisodeRow, Status
from fhirmod.validation import assessed


@dataclass(frozen=True)
class Snapshot:
    """One episode at one version of its row.

    Shape: `summary` are the values of the whole, `local` those of single entries, `assembled` by reference;
           `unread` is what cannot be read, `once_unread` what could not for a while (known_at asks for it).
           `protocol` is the site protocol that its verdicts use.
    """

    row: EpisodeRow
    episode: Episode
    context: Context
    summary: Values
    local: Values
    assembled: dict[str, Image]
    protocol: Protocol
    unread: tuple[UnreadResource, ...] = ()
    once_unread: tuple[UnreadResource, ...] = ()

    @property
    def own_anchor(self) -> bool:
        """Return whether the anchor is assembled by us, not a partner's Procedure."""
        return self.row.anchor_id == f"{self.row.id}.anchor"

    @cached_property
    def incomplete(self) -> frozenset[str]:
        """Return the kinds of entry that something unread may have been, whenever it happened."""
        return unread_kinds(self.unread)

    @property
    def kept_for(self) -> frozenset[str]:
        """Return the facilities this record is kept for here; where nobody said, the one that opened it."""
        return frozenset(self.row.kept_for.split("\n") if self.row.kept_for else (self.row.facility,))

    @property
    def copy(self) -> Copy:
        """Return whether this is the custodian's record, or a copy."""
        return copy_of(care_of(self.episode.chains.standing), self.kept_for)

    def state(self, *, as_of: datetime, known_at: datetime | None = None) -> State:
        """Return the computed state as of a moment, as known at a moment; what is unread makes it incomplete.

        Shape: with what the rules found, by this episode's protocol, for the facilities it is kept for here.
        """
        return assessed(
            self.episode,
            as_of=as_of,
            known_at=known_at,
            protocol=self.protocol,
            unread=unread_kinds((*self.unread, *self.once_unread), as_of=as_of, known_at=known_at),
            kept_for=self.kept_for,
        )

    @property
    def status(self) -> Status:
        """Return whether the record is closed; a reopened one is open."""
        if not self.has_sign_off:
            return "open"
        return "closed" if closure(self.episode.standing()).word == "closed" else "open"

    @property
    def has_sign_off(self) -> bool:
        """Return whether a sign-off was ever received: without one nothing need be asked."""
        return any(one.entry.kind == "sign-off" for one in self.episode.received)

    def at(self, row: EpisodeRow) -> "Snapshot":
        """Return the same at the row's next version."""
        return replace(self, row=row)


def computed(snapshot: Snapshot) -> Snapshot:
    """Return the snapshot with everything that follows from its entries."""
    standing, roots = snapshot.episode.chains.standing, snapshot.episode.chains.roots
    summary, local = summary_values(standing, roots), local_values(standing, roots)
    images = _assembled(snapshot) | _due(snapshot)
    return replace(snapshot, summary=summary, local=local, assembled=images)


def _assembled(snapshot: Snapshot) -> dict[str, Image]:
    chains = snapshot.episode.chains
    own, context = snapshot.own_anchor, snapshot.context
    return assembled(snapshot.row.id, chains.standing, chains.roots, context, snapshot.copy, own_anchor=own)


def _due(snapshot: Snapshot) -> dict[str, Image]:
    chains, copy = snapshot.episode.chains, snapshot.copy
    heads = {root: head for head, root in chains.roots.items()}
    due = due_items(snapshot.row.id, chains.standing, snapshot.protocol, heads, copy)
    return due_images(snapshot.row.id, due, chains.roots, snapshot.context, copy)


def advanced(
    before: Snapshot, received: Iterable[Received], touched: frozenset[str], roots_touched: set[str]
) -> Snapshot:
    """Return the snapshot with more entries, computing only what entries of the kinds `touched` can change.

    Shape: `roots_touched` are the chains that the new entries belong to or take back.
    """
    episode = before.episode.adding(received)
    standing, roots = episode.chains.standing, episode.chains.roots
    summary, local = before.summary, before.local
    stale = measures_of(touched)
    if stale:
        kept = {key: value for key, value in summary.items() if key.measure not in stale}
        summary = kept | summary_values(standing, roots, touched)
    if touched & LOCAL_KINDS:
        gone = {key for root in roots_touched for key in local_keys(root)}
        kept = {key: value for key, value in local.items() if key not in gone} if gone & local.keys() else local
        heads = [head for root in roots_touched if roots.get((head := episode.chains.heads[root]).id) == root]
        local = kept | local_values(heads, roots)
    after = replace(before, episode=episode, summary=summary, local=local)
    tasks = {reference: image for reference, image in before.assembled.items() if image.type == "Task"}
    others = {reference: image for reference, image in before.assembled.items() if image.type != "Task"}
    if touched & ASSEMBLED_FROM:
        others = _assembled(after)
    if touched & DUE_KINDS or after.has_sign_off:
        tasks = _due(after)
    return replace(after, assembled=others | tasks)


class Snapshots:
    """The cache of snapshots, newest used last; as what a row is now, only the snapshot of exactly that is given."""

    def __init__(self, most: int = 256) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._held: OrderedDict[str, Snapshot] = OrderedDict()
        self._committed: set[str] = set()

    def at(self, row: EpisodeRow) -> Snapshot | None:
        """Return the snapshot of exactly this version of the row, or None."""
        with self._lock:
            found = self._held.get(row.id)
            if found is None or found.row != row:
                return None
            self._held.move_to_end(row.id)
            return found

    def before(self, row: EpisodeRow) -> Snapshot | None:
        """Return a snapshot of an earlier version that surely was the row's, or None."""
        with self._lock:
            found = self._held.get(row.id) if row.id in self._committed else None
            return found if found is not None and found.row.version < row.version else None

    def keep(self, snapshot: Snapshot, *, committed: bool = True) -> None:
        """Return nothing; the snapshot is there for the next request, unless a newer one is.

        Shape: one that is not `committed` yet may be rolled back, so nothing newer is made from it.
        """
        with self._lock:
            id_ = snapshot.row.id
            held = self._held.get(id_)
            if held is None or held.row.version <= snapshot.row.version:
                self._held[id_] = snapshot
                self._held.move_to_end(id_)
                (self._committed.add if committed else self._committed.discard)(id_)
            while len(self._held) > self._most:
                self._committed.discard(self._held.popitem(last=False)[0])
