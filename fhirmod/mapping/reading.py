"""From stored resources to the entries they say: the lens over what was asserted.

The versions of an episode's asserted resources are folded in the order they came. Resources with one entry
identifier (or grouped by a panel) are parts of one entry. A later version that says something else is a
correction; one that is withdrawn or deleted is a retraction, its author's own or inferred. What cannot be
read is listed with the reason: it stays stored and served.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from fhirmod.episode import KINDS, Entry, Moment, Received, Retraction, read_entry
from fhirmod.errors import InvalidError
from terminology import concept, find

from .codec import Unread
from .copies import Copies, Key
from .envelope import read_envelope, read_time
from .linked import Linked, contained, medicine, sources
from .might_be import might_be
from .paths import get_at
from .places import View
from .refusals import refuse_modifiers, refuse_others, refuse_rate, refuse_unfinished
from .shapes import SHAPES
from .standing import standing_of
from .table import Code, Part
from .tables import TABLES
from .unread import UnreadResource
from .urls import BASE, ENTRY, ENTRY_ID

_ENTRY_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
CONTEXT_TYPES = frozenset(
    {"Patient", "Organization", "Practitioner", "PractitionerRole", "Location", "Provenance", "RelatedPerson"}
)
_OWN_NAMES = frozenset({"kind", "id"})
_SETS = frozenset({"vital-signs", "laboratory"})
_SILENT = CONTEXT_TYPES | {"Medication"}


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
class _Fragment:
    """What one resource says of its entry: the fields, the root id it belongs to, whether it is withdrawn."""

    kind: str
    root: str
    fields: Mapping[str, Any]
    own: Mapping[str, Any]
    withdrawn: bool
    keys: tuple[Key, ...] = ()


@dataclass
class _Group:
    """The parts of one entry as they now are, and the entry they last said."""

    fragments: dict[str, _Fragment] = field(default_factory=dict)
    last: Entry | None = None
    retracted_by: str | None = None


@dataclass
class Lens:
    """The fold over an episode's asserted resources; `received` grows, `unread` says what could not be read.

    Shape: `subjects` are the references of the woman it is about; none where that is not known. `once_unread` is
           what was unread for a while and then read, taken back or deleted.
    """

    subjects: frozenset[str] = frozenset()
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

    def fold(self, batch: Iterable[Stored]) -> list[Received]:
        """Return the entries that one accepted request said (its resources together, in order).

        A resource that comes twice in a request (an entry and, after it, its correction) is read each time.
        """
        before = len(self.received)
        step: dict[str, Stored] = {}
        for stored in batch:
            if stored.reference in step:
                self._take(step)
                step = {}
            step[stored.reference] = stored
        self._take(step)
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
            if _says_no_entry(stored):
                self._no_more_unread(stored)
                self._let_go(stored, touched)
                continue
            try:
                fragment = self._fragment(stored)
                freed += self._free_copies(stored, fragment)
                self._refuse_copy(stored, fragment)
            except Unread as reason:
                freed += self._free_copies(stored, None)
                self._let_go(stored, touched)
                self._not_read(stored, str(reason), _missing(stored.resource, reason))
                continue
            self._no_more_unread(stored)
            if fragment is None:
                self._let_go(stored, touched)
                continue
            group = self._groups.setdefault(fragment.root, _Group())
            group.fragments[stored.reference] = fragment
            self._of[stored.reference] = fragment.root
            touched[fragment.root] = stored
        for root, stored in touched.items():
            self._settle(root, stored)
        for root, stored in touched.items():
            self._withdraw(root, stored)
        if freed:
            self._read(freed)

    def _free_copies(self, stored: Stored, fragment: _Fragment | None) -> list[Stored]:
        """Return the copies that this one no longer stands before: it was withdrawn, or is another one now."""
        freed = self._copies.leave(stored.reference, _standing_keys(fragment))
        return [replace(self._last[one], received=stored.received) for one in freed]

    def _refuse_copy(self, stored: Stored, fragment: _Fragment | None) -> None:
        """Return nothing unless this is a copy of one that is read.

        Errors: Unread with the one that is read.
        """
        first = self._copies.claim(stored.reference, _standing_keys(fragment))
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

    def _fragment(self, stored: Stored) -> _Fragment | None:
        """Return what a resource says of an entry, or None if it was deleted.

        Errors: Unread with the reason it cannot be read as an entry.
        """
        resource = stored.resource
        if resource is None:
            return None
        shape = SHAPES.get(stored.type)
        if shape is None:
            raise Unread(f"a {stored.type} says nothing that is an entry here")
        refuse_modifiers(resource)
        refuse_others(resource, shape, self.subjects)
        own_kind = _own_kind(resource)
        if stored.type == "Device" and own_kind is None:
            return self._device(stored, resource)
        if shape.code.startswith("medication"):
            coded = medicine(resource, stored.reference, self._linked)
        else:
            coded = get_at(resource, shape.code) or {}
        part, code, kind = _recognise(stored.type, own_kind, coded.get("coding", ()))
        if own_kind is None:
            self._refuse_sums(resource, kind)
            refuse_rate(resource, kind)
        standing = standing_of(resource)
        if standing in ("planned", "preliminary") or (standing == "not done" and kind != "medication"):
            raise Unread(f"its status says that it is {standing}, so nothing happened yet that could be read")
        if own_kind is None:
            refuse_unfinished(resource, kind)
        fields: dict[str, Any] = {**code.assumes, **code.implies}
        _read_rows(fields, View(resource, part.keys), part)
        if own_kind is None and stored.type == "Procedure":
            fields |= _contained_device(resource, kind)
        envelope = read_envelope(resource, shape)
        own_fields = {name: envelope.pop(name) for name in _OWN_NAMES & envelope.keys()}
        fields |= envelope
        if "placement" in KINDS[kind].model_fields and fields.get("placement") is None:
            self._name_balloon(fields, resource)
        root = self._root(stored, resource, kind)
        keys = _identified(resource, code.key) if own_kind is None else ()
        return _Fragment(kind, root, fields, own_fields, standing == "withdrawn", keys)

    def _device(self, stored: Stored, resource: Mapping[str, Any]) -> _Fragment:
        """Return what a partner's Device says of the placement or preparation that names it.

        Errors: Unread if none does (it is read when one comes).
        """
        named = self._linked.naming(stored.reference)
        kind = None if named is None else _kind_of(named.resource)
        if named is None or kind not in ("placement", "balloon-preparation"):
            self._linked.wait(stored.reference, stored.reference)
            raise Unread("it is a device that no placement or preparation names, so it says of none how it is made")
        [part] = [one for one in TABLES[kind].parts if one.type == "Device"]
        return _Fragment(
            kind, _own_root(named.procedure, named.resource), _device_fields(resource, part), {}, withdrawn=False
        )

    def _refuse_sums(self, resource: Mapping[str, Any], kind: str) -> None:
        """Return nothing if a value stands for itself alone, not for others of its kind that count themselves.

        Errors: Unread if it sums or is computed from Observations of the same kind, or from some that are not here.
        """
        if kind in _SETS:
            return
        for source in sources(resource):
            target = self._linked.now(source)
            if target is None or _kind_of(target) == kind:
                sentence = f"it is computed from {source}, or has it as a member, and that counts itself"
                raise Unread(sentence, complete=target is not None)

    def _name_balloon(self, fields: dict[str, Any], resource: Mapping[str, Any]) -> None:
        """Set which balloon it belongs to, where it is part of a placement that another system names its own way."""
        for link in resource.get("partOf", ()):
            target = self._linked.now(link.get("reference", ""))
            if target is not None and _kind_of(target) == "placement":
                fields["placement"] = _own_root(link["reference"], target)

    def _root(self, stored: Stored, resource: Mapping[str, Any], kind: str) -> str:
        panel = self._linked.panel_of(stored.reference) if kind in _SETS else None
        return _own_root(stored.reference, resource, f"{panel}#{kind}" if panel is not None else None)

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
                self._not_read(stored, reason, frozenset({kind}), reference)
            return
        for reference in parts:
            self.read[reference] = entry.id
        if entry.id not in self._by_id:
            self._add(entry, stored)
        group.last = self._by_id[entry.id]

    def _withdraw(self, root: str, stored: Stored) -> None:
        """Where every part is withdrawn or gone and no retraction says so, infer one; and undo it on revival."""
        group = self._groups[root]
        if group.last is None:
            return
        gone = all(part.withdrawn for part in group.fragments.values())
        if gone and not self._told(root):
            group.retracted_by = self._infer(stored, group.last.id)
            if stored.resource is not None:
                self.read[stored.reference] = group.retracted_by
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
    """Return whether a resource is who, where, with what, or a partner's anchor: kept, nothing to read as an entry."""
    if stored.type in _SILENT:
        return _own_kind(stored.resource) is None
    if stored.type == "Encounter":
        types = [one for type_ in (stored.resource or {}).get("type", ()) for one in type_.get("coding", ())]
        return stored.resource is not None and _own_kind(stored.resource) is None and not find(types, ("opening",))
    codings = (stored.resource or {}).get("code", {}).get("coding", ()) if stored.type == "Procedure" else ()
    return find(codings, ("anchor",)) is not None


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


def _kind_of(resource: Mapping[str, Any]) -> str | None:
    """Return the kind of entry a resource's code means, whatever else it says, or None."""
    type_ = str(resource["resourceType"])
    shape = SHAPES.get(type_)
    if shape is None:
        return None
    try:
        return _recognise(type_, _own_kind(resource), (get_at(resource, shape.code) or {}).get("coding", ()))[2]
    except Unread:
        return None


def _read_rows(fields: dict[str, Any], view: View, part: Part) -> None:
    for row in part.rows:
        value = row.place.get(view)
        if value is None:
            continue
        first, _, rest = row.field.partition(".")
        if rest:
            fields.setdefault(first, {})[rest] = value
        else:
            fields[first] = value


def _contained_device(resource: Mapping[str, Any], kind: str) -> dict[str, Any]:
    """Return the facts of the balloon that a placement or preparation carries inside."""
    parts = [one for one in TABLES[kind].parts if one.type == "Device"]
    for focal in resource.get("focalDevice", ()) if parts else ():
        device = contained(resource, focal.get("manipulated", {}).get("reference", ""))
        if device is not None and device.get("resourceType") == "Device":
            return _device_fields(device, parts[0])
    return {}


def _device_fields(device: Mapping[str, Any], part: Part) -> dict[str, Any]:
    key = find(device.get("type", {}).get("coding", ()), part.by_key.keys())
    fields: dict[str, Any] = {} if key is None else {**part.by_key[key].assumes, **part.by_key[key].implies}
    _read_rows(fields, View(device, part.keys), part)
    return fields


def _identified(resource: Mapping[str, Any], code: str) -> tuple[Key, ...]:
    """Return what a partner's resource is the same by, under whatever id: its code and each business identifier."""
    listed = resource.get("identifier", ())
    return tuple(
        (code, one["system"], one["value"])
        for one in (listed if isinstance(listed, list) else (listed,))
        if "system" in one and "value" in one
    )


def _standing_keys(fragment: _Fragment | None) -> tuple[Key, ...]:
    return fragment.keys if fragment is not None and not fragment.withdrawn else ()


def _own_root(reference: str, resource: Mapping[str, Any], name: str | None = None) -> str:
    """Return the root id of a resource's entry: its entry identifier, or one made from `name` or its reference."""
    identifiers = resource.get("identifier", ())
    for identifier in identifiers if isinstance(identifiers, list) else (identifiers,):
        value = identifier.get("value", "") if identifier else ""
        if value and identifier.get("system") == ENTRY_ID and _ENTRY_ID.fullmatch(value):
            return str(value)
    own, dot, _ = reference.partition("/")[2].partition(".")
    if dot and _ENTRY_ID.fullmatch(own) and _own_kind(resource):
        return own
    return derived_entry_id(name or reference)


def derived_entry_id(name: str) -> str:
    """Return the entry id of a partner's resource: always the same for the same resource (RFC 4122 version 5)."""
    return str(uuid5(NAMESPACE_URL, f"{BASE}/{name}"))


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
    return frozenset() if reason.complete else might_be(resource, _own_kind(resource))


def _recorded(stored: Stored) -> Moment:
    return Moment(stored.received)


def _differs(document: Mapping[str, Any], known: Entry) -> bool:
    """Return whether a document says something else than an entry (when it was recorded, and why, aside)."""
    same = {name: getattr(known, name) for name in ("id", "recorded_at", "corrects", "reason")}
    try:
        return read_entry({**document, **same}) != known
    except InvalidError:
        return True
