"""From stored resources to the entries they say: the lens over what was asserted.

The versions of an episode's asserted resources are folded in the order they came. Resources with one entry
identifier (or grouped by a panel) are parts of one entry. A later version that says something else is a
correction; one that is withdrawn or deleted is a retraction, its author's own or inferred. What cannot be
read is listed with the reason: it stays stored and served.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from fhirmod.episode import Chains, Entry, Moment, Received, read_entry
from fhirmod.episode import root_of as entry_root
from fhirmod.errors import InvalidError

from .codec import Unread
from .copies import Copies, Key
from .envelope import read_time
from .fragments import Fragment, derived_entry_id, fragment_of
from .linked import Linked
from .might_be import might_be
from .recognising import own_id, own_kind, says_no_entry
from .shapes import SHAPES
from .site_codes import NO_CODES, SiteCodes
from .standing import standing_of
from .unread import UnreadResource
from .whereabouts import Whereabouts, root_of


@dataclass(frozen=True, slots=True)
class Stored:
    """One version of an asserted resource: `resource` is None where it was deleted; `received` as kept by the store."""

    type: str
    id: str
    version: int
    received: str
    resource: Mapping[str, Any] | None

    @property
    def reference(self) -> str:
        return f"{self.type}/{self.id}"


@dataclass
class _Group:
    """The parts of one entry as they now are, which of them came last, and the entry they last said."""

    fragments: dict[str, Fragment] = field(default_factory=dict)
    latest: str = ""
    last: Entry | None = None
    retracted_by: str | None = None


@dataclass
class Lens:
    """The fold over an episode's asserted resources; `received` grows, `unread` says what could not be read.

    Shape: `subjects` are the references of the woman it is about; none where that is not known. `codes` are the
           site's own. `anchor` is the reference of the whole course, which says no entry if its code says none.
           `once_unread` is what was unread for a while and then read, taken back or deleted.
    """

    subjects: frozenset[str] = frozenset()
    codes: SiteCodes = NO_CODES
    anchor: str = ""
    received: list[Received] = field(default_factory=list)
    unread: dict[str, UnreadResource] = field(default_factory=dict)
    once_unread: list[UnreadResource] = field(default_factory=list)
    read: dict[str, str] = field(default_factory=dict)
    _groups: dict[str, _Group] = field(default_factory=dict)
    _of: dict[str, str] = field(default_factory=dict)
    _by_id: dict[str, Entry] = field(default_factory=dict)
    _linked: Linked = field(default_factory=Linked)
    _copies: Copies = field(default_factory=Copies)
    _last: dict[str, Stored] = field(default_factory=dict)
    _revived: dict[str, Stored] = field(default_factory=dict)

    def whereabouts(self) -> Whereabouts:
        """Return where the parts of entries that others wrote really stand."""
        found: dict[str, str] = {}
        foreign: set[str] = set()
        for root, group in self._groups.items():
            for reference, fragment in group.fragments.items():
                ours = f"{reference.partition('/')[0]}/{root}.{fragment.part}"
                if ours != reference:
                    foreign.add(root)
                if ours == reference or ours not in group.fragments:
                    found[ours] = reference
        return Whereabouts({ours: at for ours, at in found.items() if root_of(ours) in foreign}, frozenset(foreign))

    def fold(self, batch: Iterable[Stored]) -> list[Received]:
        """Return the entries that one accepted request said (its resources together, in order).

        A resource that comes twice in a request (an entry and, after it, its correction) is read each time; so is
        an entry of which a correction in the same request has parts that it had not.
        """
        before = len(self.received)
        step: dict[str, Stored] = {}
        says: dict[str, str] = {}
        for raw in batch:
            stored = replace(raw, resource=self.codes.applied(raw.resource)) if self.codes.rows else raw
            root, entry = _own_entry(stored)
            if stored.reference in step or (entry and says.get(root, entry) != entry):
                self._take(step)
                step, says = {}, {}
            step[stored.reference] = stored
            if entry:
                says[root] = entry
        self._take(step)
        self._revive()
        return self.received[before:]

    def _take(self, step: Mapping[str, Stored]) -> None:
        """Read resources that are all different, then settle the entries they touch."""
        freed = self._linked.note((reference, stored.resource) for reference, stored in step.items())
        self._last |= step
        now = next((stored.received for stored in step.values()), "")
        self._read([*step.values(), *(replace(self._last[reference], received=now) for reference in freed)])

    def _read(self, step: Iterable[Stored]) -> None:
        touched: dict[str, Stored] = {}
        freed: list[Stored] = []
        for stored in step:
            if says_no_entry(stored.type, stored.resource):
                self._no_more_unread(stored)
                self._let_go(stored, touched)
                continue
            try:
                fragment = self._said_by(stored)
                freed += self._free_copies(stored, fragment)
                self._refuse_copy(stored, fragment)
            except Unread as reason:
                freed += self._free_copies(stored, None)
                self._let_go(stored, touched)
                if stored.reference == self.anchor:
                    self._no_more_unread(stored)
                else:
                    self._not_read(stored, str(reason), _missing(stored.resource, reason))
                continue
            self._no_more_unread(stored)
            if fragment is None:
                self._let_go(stored, touched)
                continue
            if self._of.get(stored.reference) != fragment.root:
                self._let_go(stored, touched)
            group = self._groups.setdefault(fragment.root, _Group())
            group.fragments[stored.reference] = fragment
            group.latest = stored.reference
            self._of[stored.reference] = fragment.root
            touched[fragment.root] = stored
        for root, stored in touched.items():
            self._settle(root, stored)
        for root, stored in touched.items():
            self._withdraw(root, stored)
        if freed:
            self._read(freed)

    def _free_copies(self, stored: Stored, fragment: Fragment | None) -> list[Stored]:
        """Return the copies that this one no longer stands before: it was withdrawn, or is another one now."""
        freed = self._copies.leave(stored.reference, _keys(fragment))
        return [replace(self._last[one], received=stored.received) for one in freed]

    def _refuse_copy(self, stored: Stored, fragment: Fragment | None) -> None:
        """Return nothing unless this is a copy of one that is read.

        Errors: Unread with the one that is read.
        """
        first = self._copies.claim(stored.reference, _keys(fragment))
        if first is not None:
            sentence = f"its identifier and code are those of {first}, which is read: it is the same one again"
            raise Unread(sentence, complete=True)

    def _not_read(self, stored: Stored, reason: str, kinds: frozenset[str], reference: str | None = None) -> None:
        """Keep why a resource could not be read; `reference` where it is another part of the same entry."""
        reference = reference or stored.reference
        now = datetime.fromisoformat(stored.received)
        before = self.unread.get(reference)
        if before is not None and before.kinds != kinds:
            self.once_unread.append(replace(before, until=now))
            before = None
        since = now if before is None else before.since
        self.unread[reference] = UnreadResource(reference, reason, kinds, since, None, _happened(stored.resource))

    def _no_more_unread(self, stored: Stored) -> None:
        before = self.unread.pop(stored.reference, None)
        if before is not None and before.kinds:
            self.once_unread.append(replace(before, until=datetime.fromisoformat(stored.received)))

    def _let_go(self, stored: Stored, touched: dict[str, Stored]) -> None:
        """Let a resource that is gone or cannot be read say nothing of its entry any more."""
        self.read.pop(stored.reference, None)
        if (root := self._of.pop(stored.reference, None)) is not None:
            del self._groups[root].fragments[stored.reference]
            touched[root] = stored

    def _said_by(self, stored: Stored) -> Fragment | None:
        """Return what a resource says of an entry, or None if it was deleted."""
        if stored.resource is None:
            return None
        return fragment_of(stored.reference, stored.resource, self._linked, self.subjects)

    def _settle(self, root: str, stored: Stored) -> None:
        """Read the group's standing parts as one entry; a change since the last is a correction."""
        group = self._groups[root]
        parts = _said_last(group)
        if not parts:
            return
        document: dict[str, Any] = {}
        own: dict[str, Any] = {}
        for part in parts.values():
            document = {**part.fields, **document}
            own = {**part.own, **own}
        kind = next(iter(parts.values())).kind
        document |= {"kind": kind, "id": own.get("id", root)}
        document.setdefault("recorded_at", _recorded(stored))
        if document.get("corrects") not in (None, root) and document["corrects"] not in self._by_id:
            document["corrects"] = root  # the links between were not sent: it corrects the first of its chain
        known = self._by_id.get(document["id"])
        if known is not None and group.last is not None and _differs(document, known):
            new_id = derived_entry_id(f"{stored.reference}/_history/{stored.version}")
            document |= {"id": new_id, "corrects": group.last.id, "reason": "changed by its sender"}
            document["recorded_at"] = _recorded(stored)
        try:
            entry = read_entry(document)
        except InvalidError as wrong:
            reason = " ".join(finding.sentence for finding in wrong.findings)
            for reference in parts:
                self._not_read(stored, reason, frozenset({kind}), reference)
            return
        for reference in parts:
            self.read[reference] = entry.id
        if entry.id not in self._by_id:
            self._add(entry, stored, inferred=any(part.inferred for part in parts.values()))
        group.last = self._by_id[entry.id]

    def _withdraw(self, root: str, stored: Stored) -> None:
        """Where every part is withdrawn or gone and no retraction says so, infer one; it is undone on revival."""
        group = self._groups[root]
        if group.last is None:
            return
        gone = all(part.withdrawn for part in group.fragments.values())
        if gone and not self._told(root):
            group.retracted_by = self._infer(stored, group.last.id)
            if stored.reference in group.fragments:
                self.read[stored.reference] = group.retracted_by
        elif not gone and group.retracted_by is not None:
            self._revived[root] = stored

    def _revive(self) -> None:
        """Undo the retractions inferred for what now stands again.

        A correction at the bedside of what a client took back is written and taken back in one request: it does not.
        """
        for root, stored in self._revived.items():
            group = self._groups[root]
            if group.retracted_by is not None and not all(part.withdrawn for part in group.fragments.values()):
                self._infer(stored, group.retracted_by)
                group.retracted_by = None
        self._revived.clear()

    def _infer(self, stored: Stored, target: str) -> str:
        when = _recorded(stored)
        how = "deleted" if stored.resource is None else "changed"
        document = {
            "kind": "retraction",
            "id": derived_entry_id(f"{stored.reference}/_history/{stored.version}#retraction"),
            "at": when,
            "recorded_at": when,
            "retracts": target,
            "reason": f"the resource was {how} by its sender",
        }
        entry = read_entry(document)
        self._add(entry, stored)
        return entry.id

    def _told(self, root: str) -> bool:
        """Return whether a retraction that stands takes this chain back: one that was undone says nothing."""
        last = self._groups[root].last
        chains = Chains.of(item.entry for item in self.received)
        return last is not None and not chains.stands(entry_root(last.id, chains.by_id))

    def _add(self, entry: Entry, stored: Stored, *, inferred: bool = False) -> None:
        self._by_id[entry.id] = entry
        self.received.append(Received(entry, datetime.fromisoformat(stored.received), inferred))


def _keys(fragment: Fragment | None) -> tuple[Key, ...]:
    return () if fragment is None else fragment.standing_keys


def _said_last(group: _Group) -> dict[str, Fragment]:
    """Return the standing parts that say one entry: where a partner's resource was corrected at the bedside, two
    entries have parts here, and the one that came last is meant.
    """
    parts = {ref: part for ref, part in group.fragments.items() if not part.withdrawn}
    meant = parts.get(group.latest)
    if meant is None:
        return parts
    return {ref: part for ref, part in parts.items() if part.own.get("id") == meant.own.get("id")}


def _own_entry(stored: Stored) -> tuple[str, str]:
    """Return the root and the id of the entry that an image of ours says ("" for a partner's, or one withdrawn)."""
    resource = stored.resource or {}
    if own_kind(resource) is None or standing_of(resource) == "withdrawn":
        return "", ""
    root = stored.id.partition(".")[0]
    return root, own_id(resource) or root


def _happened(resource: Mapping[str, Any] | None) -> datetime | None:
    """Return the instant that an unread resource states for itself, or None."""
    shape = SHAPES.get(str((resource or {}).get("resourceType")))
    if resource is None or shape is None or shape.at is None:
        return None
    try:
        at = read_time(resource, shape.at)
    except Unread:
        return None
    return at.instant if isinstance(at, Moment) else None


def _missing(resource: Mapping[str, Any] | None, reason: Unread) -> frozenset[str]:
    """Return the kinds of entry that may be missing because a resource is unread."""
    return frozenset() if reason.complete else might_be(resource, own_kind(resource))


def _recorded(stored: Stored) -> Moment:
    return Moment(stored.received)


def _differs(document: Mapping[str, Any], known: Entry) -> bool:
    """Return whether a document says something else than an entry (when it was recorded, and why, aside)."""
    same = {name: getattr(known, name) for name in ("id", "recorded_at", "corrects", "reason")}
    try:
        return read_entry({**document, **same}) != known
    except InvalidError:
        return True
