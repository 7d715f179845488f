"""The episode: entries that only grow, and which of them stand at a moment, as known at a moment.

Two questions, never one: `as_of` (happened by) and `known_at` (received by).
"""

from bisect import insort
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time
from functools import cached_property

from .entry import Entry
from .kinds import KINDS, RANK, Retraction

_NAMING = {
    kind: names
    for kind, model in KINDS.items()
    if (names := tuple(name for name in ("placement", "preparation") if name in model.model_fields))
}
_BEFORE_ALL = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Received:
    """An entry and the instant it was received here; `inferred` if read from what a partner assembled."""

    entry: Entry
    at: datetime
    inferred: bool = False


@dataclass(frozen=True)
class Episode:
    """One woman's tamponade, from the decision (or the arrival with someone else's balloon) to closure."""

    id: str
    received: tuple[Received, ...] = ()

    def adding(self, received: Iterable[Received]) -> "Episode":
        """Return the episode with more entries; an id that is there already is not added again."""
        new: dict[str, Received] = {}
        for item in received:
            if item.entry.id not in self.by_id:
                new.setdefault(item.entry.id, item)
        if not new:
            return self
        grown = replace(self, received=(*self.received, *new.values()))
        if "chains" in self.__dict__:
            grown.__dict__["chains"] = self.chains.adding([item.entry for item in new.values()])
            grown.__dict__["by_id"] = self.by_id | new
        return grown

    @cached_property
    def by_id(self) -> dict[str, Received]:
        """Return what was received, by entry id."""
        return {item.entry.id: item for item in self.received}

    @cached_property
    def chains(self) -> "Chains":
        """Return the chains of corrections of everything received."""
        return Chains.of(item.entry for item in self.received)

    def standing(self, *, as_of: datetime | None = None, known_at: datetime | None = None) -> tuple[Entry, ...]:
        """Return the entries that stand, in order of time; ties by the order of the kinds.

        Of several corrections the later `recorded_at` wins, then the id. A retraction takes back the whole
        chain. A correction stands although its original is not here (a partner may send only what stands;
        at the bedside it is held until the original arrives). An entry whose time is not known cannot
        have happened after it was recorded, and is placed there.
        """
        if known_at is None:
            stand = self.chains.standing
        else:
            stand = Chains.of(item.entry for item in self.received if item.at <= known_at).standing
        return stand if as_of is None else tuple(entry for entry in stand if _earliest(entry) <= as_of)


@dataclass(frozen=True)
class Chains:
    """Entries arranged in chains of corrections; the order they came in is immaterial.

    Shape: a chain is named by its root, the id of its first entry; its head is the correction that wins;
           `awaited` are ids that entries name but that have not arrived.
    """

    by_id: dict[str, Entry]
    heads: dict[str, Entry]
    retractions: Mapping[str, tuple[Retraction, ...]]
    awaited: frozenset[str]

    @classmethod
    def of(cls, entries: Iterable[Entry]) -> "Chains":
        """Return the chains that these entries make."""
        by_id = {entry.id: entry for entry in entries}
        children: defaultdict[str, list[Entry]] = defaultdict(list)
        heads: dict[str, Entry] = {}
        for entry in by_id.values():
            if entry.corrects is None:
                heads[entry.id] = entry
            elif (original := by_id.get(entry.corrects)) is None or original.kind == entry.kind:
                children[entry.corrects].append(entry)
        heads = {root: _head(entry, children) for root, entry in heads.items()}
        heads |= {root: _head(_latest(children[root]), children) for root in children if root not in by_id}
        retractions: defaultdict[str, tuple[Retraction, ...]] = defaultdict(tuple)
        for head in heads.values():
            if isinstance(head, Retraction) and (target := root_of(head.retracts, by_id)) in heads:
                retractions[target] += (head,)
        named = {entry.corrects for entry in by_id.values() if entry.corrects is not None}
        named |= {entry.retracts for entry in by_id.values() if isinstance(entry, Retraction)}
        return cls(by_id, heads, dict(retractions), frozenset(named - by_id.keys()))

    def adding(self, entries: Sequence[Entry]) -> "Chains":
        """Return the chains with more entries: the same as `of` all of them, cheaper where they only begin chains."""
        if not self.begun_by(entries):
            return Chains.of([*self.by_id.values(), *entries])
        new = {entry.id: entry for entry in entries}
        grown = replace(self, by_id=self.by_id | new, heads=self.heads | new)
        if "standing" in self.__dict__:
            standing = list(self.standing)
            for entry in new.values():
                insort(standing, grown.naming_heads(entry), key=order_of)
            grown.__dict__["standing"] = tuple(standing)
            grown.__dict__["roots"] = self.roots | dict(zip(new, new, strict=True))
        return grown

    def begun_by(self, entries: Iterable[Entry]) -> bool:
        """Return whether each of these entries begins a chain of its own, and changes no other."""
        return all(
            entry.corrects is None
            and entry.kind != "retraction"
            and entry.id not in self.awaited
            and entry.id not in self.by_id
            for entry in entries
        )

    def stands(self, root: str, path: frozenset[str] = frozenset()) -> bool:
        """Return whether a chain stands: no standing retraction takes it back."""
        if root not in self.retractions or root in path:
            return True
        return not any(
            self.stands(root_of(retraction.id, self.by_id), path | {root}) for retraction in self.retractions[root]
        )

    @cached_property
    def standing(self) -> tuple[Entry, ...]:
        """Return the heads of the chains that stand, ordered; retractions themselves are not among them.

        An entry that names another (its balloon, its preparation) names the head of that chain.
        """
        heads = [head for root, head in self.heads.items() if head.kind != "retraction" and self.stands(root)]
        return tuple(sorted(map(self.naming_heads, heads), key=order_of))

    def naming_heads(self, entry: Entry) -> Entry:
        """Return the entry with the balloon and preparation it names called by the heads of their chains.

        One that was taken back is called by the root of its chain.
        """
        changed: dict[str, str] = {}
        for name in _NAMING.get(entry.kind, ()):
            named = getattr(entry, name)
            root = root_of(named, self.by_id) if named else None
            if root is not None:
                now = self.heads[root].id if root in self.heads and self.stands(root) else root
                if now != named:
                    changed[name] = now
        return entry.model_copy(update=changed) if changed else entry

    @cached_property
    def roots(self) -> dict[str, str]:
        """Return the root of each standing entry's chain, by the entry's id."""
        standing = {entry.id for entry in self.standing}
        return {head.id: root for root, head in self.heads.items() if head.id in standing}


def root_of(entry_id: str, by_id: Mapping[str, Entry]) -> str:
    """Return the id of the first entry of a chain of corrections: where a link has not arrived, the missing id."""
    seen = set()
    while entry_id not in seen and (entry := by_id.get(entry_id)) is not None and entry.corrects is not None:
        seen.add(entry_id)
        entry_id = entry.corrects
    return entry_id


def order_of(entry: Entry) -> tuple[datetime, int, datetime, str]:
    """Return the key that orders standing entries: when it happened, its kind's rank, when recorded, its id."""
    return _placed(entry), RANK[entry.kind], entry.recorded_at.instant or _BEFORE_ALL, entry.id


def _placed(entry: Entry) -> datetime:
    if entry.instant is not None:
        return entry.instant
    recorded = entry.recorded_at.instant or _BEFORE_ALL
    span = entry.span
    if span is None or span[0] <= recorded <= span[1]:
        return recorded
    return datetime.combine(span[0].date(), time(12), span[0].tzinfo)


def _earliest(entry: Entry) -> datetime:
    if entry.instant is not None:
        return entry.instant
    span = entry.span
    return span[0] if span is not None else (entry.recorded_at.instant or _BEFORE_ALL)


def _head(entry: Entry, children: Mapping[str, list[Entry]]) -> Entry:
    while entry.id in children:
        entry = _latest(children[entry.id])
    return entry


def _latest(corrections: Sequence[Entry]) -> Entry:
    return max(corrections, key=lambda one: (one.recorded_at.instant or _BEFORE_ALL, one.id))
