"""From stored resources to the entries they say: the lens over what was asserted.

The versions of an episode's asserted resources are folded in the order they came. Resources with one entry
identifier (or grouped by a panel) are parts of one entry. A later version that says something else is a
correction; one that is withdrawn or deleted is a retraction, its author's own or inferred. What cannot be
read is listed with the reason: it stays stored and served.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import cache
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from fhirmod.episode import Entry, Moment, Received, Retraction, read_entry
from fhirmod.errors import InvalidError
from terminology import concept, find

from .codec import Unread
from .envelope import read_envelope
from .paths import get_at
from .places import View
from .shapes import SHAPES
from .standing import standing_of
from .table import Code, Part
from .tables import TABLES
from .urls import BASE, ENTRY, ENTRY_ID

_ENTRY_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
CONTEXT_TYPES = frozenset(
    {"Patient", "Organization", "Practitioner", "PractitionerRole", "Location", "Provenance", "RelatedPerson"}
)
_OWN_NAMES = frozenset({"kind", "id"})


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


@dataclass(frozen=True, slots=True)
class UnreadResource:
    """A resource that is stored and served but not read as an entry, and why."""

    reference: str
    reason: str


@dataclass(frozen=True, slots=True)
class _Fragment:
    """What one resource says of its entry: the fields, the root id it belongs to, whether it is withdrawn."""

    kind: str
    root: str
    fields: Mapping[str, Any]
    own: Mapping[str, Any]
    withdrawn: bool


@dataclass
class _Group:
    """The parts of one entry as they now are, and the entry they last said."""

    fragments: dict[str, _Fragment] = field(default_factory=dict)
    last: Entry | None = None
    retracted_by: str | None = None


@dataclass
class Lens:
    """The fold over an episode's asserted resources; `received` grows, `unread` says what could not be read."""

    received: list[Received] = field(default_factory=list)
    unread: dict[str, UnreadResource] = field(default_factory=dict)
    read: dict[str, str] = field(default_factory=dict)
    _groups: dict[str, _Group] = field(default_factory=dict)
    _of: dict[str, str] = field(default_factory=dict)
    _by_id: dict[str, Entry] = field(default_factory=dict)

    def fold(self, batch: Iterable[Stored]) -> list[Received]:
        """Return the entries that one accepted request said (its resources together, in order).

        A resource that comes twice in a request (an entry and, after it, its correction) is read each time.
        """
        before = len(self.received)
        batch = list(batch)
        panels = _panel_roots(batch)
        step: dict[str, Stored] = {}
        for stored in batch:
            if stored.reference in step:
                self._take(step.values(), panels)
                step = {}
            step[stored.reference] = stored
        self._take(step.values(), panels)
        return self.received[before:]

    def _take(self, step: Iterable[Stored], panels: Mapping[str, str]) -> None:
        """Read resources that are all different, then settle the entries they touch."""
        touched: dict[str, Stored] = {}
        for stored in step:
            if _says_no_entry(stored):
                continue
            try:
                fragment = _fragment(stored, panels)
            except Unread as reason:
                self._forget(stored, touched)
                self.unread[stored.reference] = UnreadResource(stored.reference, str(reason))
                continue
            if fragment is None:
                self._forget(stored, touched)
                continue
            self.unread.pop(stored.reference, None)
            group = self._groups.setdefault(fragment.root, _Group())
            group.fragments[stored.reference] = fragment
            self._of[stored.reference] = fragment.root
            touched[fragment.root] = stored
        for root, stored in touched.items():
            self._settle(root, stored)
        for root, stored in touched.items():
            self._withdraw(root, stored)

    def _forget(self, stored: Stored, touched: dict[str, Stored]) -> None:
        """Let a resource that is gone or cannot be read say nothing of its entry any more."""
        self.unread.pop(stored.reference, None)
        self.read.pop(stored.reference, None)
        if (root := self._of.pop(stored.reference, None)) is not None:
            del self._groups[root].fragments[stored.reference]
            touched[root] = stored

    def _settle(self, root: str, stored: Stored) -> None:
        """Read the group's standing parts as one entry; a change since the last is a correction."""
        group = self._groups[root]
        parts = {ref: part for ref, part in group.fragments.items() if not part.withdrawn}
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
                self.unread[reference] = UnreadResource(reference, reason)
            return
        for reference in parts:
            self.read[reference] = entry.id
        if entry.id not in self._by_id:
            self._add(entry, stored)
        group.last = self._by_id[entry.id]

    def _withdraw(self, root: str, stored: Stored) -> None:
        """Where every part is withdrawn or gone and no retraction says so, infer one; and undo it on revival."""
        group = self._groups[root]
        if group.last is None or group.last.kind == "retraction":
            return
        gone = all(part.withdrawn for part in group.fragments.values())
        if gone and not self._told(root):
            group.retracted_by = self._infer(stored, group.last.id)
        elif not gone and group.retracted_by is not None:
            self._infer(stored, group.retracted_by)
            group.retracted_by = None

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
        """Return whether some retraction names this chain."""
        chain = {root}
        for item in self.received:
            if item.entry.corrects in chain:
                chain.add(item.entry.id)
        entries = (item.entry for item in self.received)
        return any(isinstance(entry, Retraction) and entry.retracts in chain for entry in entries)

    def _add(self, entry: Entry, stored: Stored) -> None:
        self._by_id[entry.id] = entry
        self.received.append(Received(entry, datetime.fromisoformat(stored.received)))


def _says_no_entry(stored: Stored) -> bool:
    """Return whether a resource is who or where, or a partner's anchor: kept, but nothing to read as an entry."""
    if stored.type in CONTEXT_TYPES:
        return _own_kind(stored.resource) is None
    codings = (stored.resource or {}).get("code", {}).get("coding", ()) if stored.type == "Procedure" else ()
    return find(codings, ("anchor",)) is not None


def _fragment(stored: Stored, panels: Mapping[str, str]) -> _Fragment | None:
    """Return what a resource says of an entry, or None if it was deleted.

    Errors: Unread with the reason it cannot be read as an entry.
    """
    resource = stored.resource
    if resource is None:
        return None
    shape = SHAPES.get(stored.type)
    if shape is None:
        raise Unread(f"a {stored.type} says nothing that is an entry here")
    _refuse_modifiers(resource)
    own_kind = _own_kind(resource)
    codings = (get_at(resource, shape.code) or {}).get("coding", ())
    part, code, kind = _recognise(stored.type, own_kind, codings)
    standing = standing_of(resource)
    if standing in ("planned", "preliminary") or (standing == "not done" and kind != "medication"):
        raise Unread(f"its status says that it is {standing}, so nothing happened yet that could be read")
    fields: dict[str, Any] = {**code.assumes, **code.implies}
    view = View(resource, part.keys)
    for row in part.rows:
        value = row.place.get(view)
        if value is None:
            continue
        first, _, rest = row.field.partition(".")
        if rest:
            fields.setdefault(first, {})[rest] = value
        else:
            fields[first] = value
    envelope = read_envelope(resource, shape)
    own_fields = {name: envelope.pop(name) for name in _OWN_NAMES & envelope.keys()}
    fields |= envelope
    root = _root(stored, resource, panels)
    return _Fragment(kind, root, fields, own_fields, withdrawn=standing == "withdrawn")


def _recognise(resource_type: str, own_kind: str | None, codings: Any) -> tuple[Part, Code, str]:
    candidates = _candidates(resource_type, own_kind if own_kind in TABLES else None)
    key = find(codings, candidates.keys())
    if key is None:
        codes = ", ".join(str(coding.get("code")) for coding in codings) or "no code"
        raise Unread(f"its code ({codes}) is none that is recorded here")
    return candidates[key]


@cache
def _candidates(resource_type: str, kind: str | None) -> dict[str, tuple[Part, Code, str]]:
    """Return what a resource of this type can be, by the concept key of its code.

    Where two kinds share a code (a drug given once, or by infusion) and nothing tells which is meant, it is the
    kind whose table comes first.
    """
    found: dict[str, tuple[Part, Code, str]] = {}
    taken: set[str] = set()
    for name in (kind,) if kind is not None else TABLES:
        for part in TABLES[name].parts:
            if part.type == resource_type:
                for code in part.codes:
                    if (own := concept(code.key).code) not in taken:
                        taken.add(own)
                        found[code.key] = (part, code, name)
    return found


def _own_kind(resource: Mapping[str, Any] | None) -> str | None:
    """Return the kind of entry that our own extension names, or None."""
    for item in (resource or {}).get("extension", ()):
        if item.get("url") == ENTRY:
            for part in item.get("extension", ()):
                if part.get("url") == "kind":
                    return str(part.get("valueCode"))
    return None


def _refuse_modifiers(resource: Mapping[str, Any]) -> None:
    for name in ("modifierExtension", "implicitRules"):
        if name in resource:
            raise Unread(f"it carries {name}, which may change its meaning in a way not known here")
    if resource.get("doNotPerform"):
        raise Unread("it says that something is not to be done")


def _root(stored: Stored, resource: Mapping[str, Any], panels: Mapping[str, str]) -> str:
    identifiers = resource.get("identifier", ())
    for identifier in identifiers if isinstance(identifiers, list) else (identifiers,):
        value = identifier.get("value", "") if identifier else ""
        if value and identifier.get("system") == ENTRY_ID and _ENTRY_ID.fullmatch(value):
            return str(value)
    own, dot, _ = stored.id.partition(".")
    if dot and _ENTRY_ID.fullmatch(own) and _own_kind(resource):
        return own
    return derived_entry_id(panels.get(stored.reference, stored.reference))


def _panel_roots(batch: Iterable[Stored]) -> dict[str, str]:
    """Return, for each member of a panel in the batch, the panel's reference: they are one entry."""
    found = {}
    for stored in batch:
        for member in (stored.resource or {}).get("hasMember", ()):
            if "reference" in member:
                found[member["reference"]] = stored.reference
    return found


def derived_entry_id(name: str) -> str:
    """Return the entry id of a partner's resource: always the same for the same resource (RFC 4122 version 5)."""
    return str(uuid5(NAMESPACE_URL, f"{BASE}/{name}"))


def _recorded(stored: Stored) -> Moment:
    return Moment(stored.received)


def _differs(document: Mapping[str, Any], known: Entry) -> bool:
    """Return whether a document says something else than an entry (when it was recorded, and why, aside)."""
    same = {name: getattr(known, name) for name in ("id", "recorded_at", "corrects", "reason")}
    try:
        return read_entry({**document, **same}) != known
    except InvalidError:
        return True
