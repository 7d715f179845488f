"""What one received resource says of its entry, beside those it names or that name it."""

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from fhirmod.episode import KINDS, Moment
from terminology import find

from .codec import Unread
from .copies import Key
from .envelope import read_envelope
from .linked import Linked, contained, medicine, sources
from .paths import get_at
from .places import View
from .recognising import kind_of, own_kind, recognise
from .refusals import refuse_modifiers, refuse_others, refuse_rate, refuse_unfinished
from .shapes import SHAPES
from .standing import standing_of
from .table import Part
from .tables import TABLES
from .urls import BASE, ENTRY_ID

_ENTRY_ID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_OWN_NAMES = frozenset({"kind", "id"})
_SETS = frozenset({"vital-signs", "laboratory"})
Resource = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Fragment:
    """What one resource says of its entry: the fields, the root id it belongs to, whether it is withdrawn.

    Shape: `part` is which part of the entry's image it would be, had we written it.
    """

    kind: str
    root: str
    fields: Mapping[str, Any]
    own: Mapping[str, Any]
    withdrawn: bool
    keys: tuple[Key, ...] = ()
    inferred: bool = False
    part: str = ""

    @property
    def standing_keys(self) -> tuple[Key, ...]:
        """Return what it stands under before its copies: nothing once it is withdrawn."""
        return () if self.withdrawn else self.keys


def fragment_of(reference: str, resource: Resource, linked: Linked, subjects: Collection[str]) -> Fragment:
    """Return what a resource says of an entry; `subjects` are the references of the woman, none if not known.

    Errors: Unread with the reason it cannot be read as an entry.
    """
    type_ = str(resource["resourceType"])
    if type_ == "DeviceUseStatement":
        return _in_use(reference, resource, linked, subjects)
    shape = SHAPES.get(type_)
    if shape is None:
        raise Unread(f"a {type_} says nothing that is an entry here")
    refuse_modifiers(resource)
    refuse_others(resource, shape, subjects)
    named = own_kind(resource)
    if type_ == "Device" and named is None:
        return _device(reference, resource, linked)
    if shape.code.startswith("medication"):
        coded = medicine(resource, reference, linked)
    else:
        coded = get_at(resource, shape.code) or {}
    part, code, kind = recognise(type_, named, coded.get("coding", ()))
    if named is None:
        _refuse_sums(resource, kind, linked)
        refuse_rate(resource, kind)
    standing = standing_of(resource)
    if standing in ("planned", "preliminary") or (standing == "not done" and kind != "medication"):
        raise Unread(f"its status says that it is {standing}, so nothing happened yet that could be read")
    if named is None:
        refuse_unfinished(resource, kind)
    fields: dict[str, Any] = {**code.assumes, **code.implies}
    _read_rows(fields, View(resource, part.keys), part)
    if named is None and type_ == "Procedure":
        fields |= _contained_device(resource, kind)
    envelope = read_envelope(resource, shape)
    own_fields = {name: envelope.pop(name) for name in _OWN_NAMES & envelope.keys()}
    fields |= envelope
    if "placement" in KINDS[kind].model_fields and fields.get("placement") is None:
        _name_balloon(fields, resource, linked)
    panel = linked.panel_of(reference) if kind in _SETS else None
    root = _root(reference, resource, f"{panel}#{kind}" if panel is not None else None)
    keys = _identified(resource, code.key) if named is None else ()
    return Fragment(kind, root, fields, own_fields, standing == "withdrawn", keys, part=part.name)


def _device(reference: str, resource: Resource, linked: Linked) -> Fragment:
    """Return what a partner's Device says of the placement or preparation that names it.

    Errors: Unread if none does (it is read when one comes).
    """
    named = linked.naming(reference)
    kind = None if named is None else _kind_named(named.resource, linked)
    if named is None or kind not in ("placement", "balloon-preparation"):
        linked.wait(reference, reference)
        raise Unread("it is a device that no placement or preparation names, so it says of none how it is made")
    [part] = [one for one in TABLES[kind].parts if one.type == "Device"]
    root = _root(named.reference, named.resource)
    return Fragment(kind, root, _device_fields(resource, part), {}, withdrawn=False, part=part.name)


def _kind_named(resource: Resource, linked: Linked) -> str | None:
    if resource["resourceType"] == "DeviceUseStatement":
        return None if linked.placed or _in_use_since(resource) is None else "placement"
    return kind_of(resource)


def _in_use_since(resource: Resource) -> str | None:
    """Return since when a balloon is in use that still is, or None."""
    period = resource.get("timingPeriod", {})
    if resource.get("status") != "active" or "end" in period:
        return None
    since: str | None = resource.get("timingDateTime") or period.get("start")
    return since


def _in_use(reference: str, resource: Resource, linked: Linked, subjects: Collection[str]) -> Fragment:
    """Return the placement that a balloon in use implies, where nothing says that one was placed.

    Errors: Unread if a placement says it itself, or if the use is over or has no beginning.
    """
    refuse_modifiers(resource)
    subject = resource.get("subject", {}).get("reference")
    if subject and subjects and subject not in subjects:
        raise Unread("its subject is another one than the woman of this tamponade", complete=True)
    if linked.placed:
        raise Unread("it says that a balloon is in use, which the placement says itself", complete=True)
    status = resource.get("status")
    if status == "entered-in-error":
        return Fragment("placement", derived_entry_id(reference), {}, {}, withdrawn=True)
    start = _in_use_since(resource)
    if start is None:
        raise Unread(f"its status is {status}: only a use that goes on, and says since when, implies a placement")
    return Fragment("placement", derived_entry_id(reference), {"at": Moment(start)}, {}, withdrawn=False, inferred=True)


def _refuse_sums(resource: Resource, kind: str, linked: Linked) -> None:
    """Return nothing if a value stands for itself alone, not for others of its kind that count themselves.

    Errors: Unread if it sums or is computed from Observations of the same kind, or from some that are not here.
    """
    if kind in _SETS:
        return
    for source in sources(resource):
        target = linked.now(source)
        if target is None or kind_of(target) == kind:
            sentence = f"it is computed from {source}, or has it as a member, and that counts itself"
            raise Unread(sentence, complete=target is not None)


def _name_balloon(fields: dict[str, Any], resource: Resource, linked: Linked) -> None:
    """Set which balloon it belongs to, where it is part of a placement that another system names its own way."""
    for link in resource.get("partOf", ()):
        target = linked.now(link.get("reference", ""))
        if target is not None and kind_of(target) == "placement":
            fields["placement"] = _root(link["reference"], target)


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


def _contained_device(resource: Resource, kind: str) -> dict[str, Any]:
    """Return the facts of the balloon that a placement or preparation carries inside."""
    parts = [one for one in TABLES[kind].parts if one.type == "Device"]
    for focal in resource.get("focalDevice", ()) if parts else ():
        device = contained(resource, focal.get("manipulated", {}).get("reference", ""))
        if device is not None and device.get("resourceType") == "Device":
            return _device_fields(device, parts[0])
    return {}


def _device_fields(device: Resource, part: Part) -> dict[str, Any]:
    key = find(device.get("type", {}).get("coding", ()), part.by_key.keys())
    fields: dict[str, Any] = {} if key is None else {**part.by_key[key].assumes, **part.by_key[key].implies}
    _read_rows(fields, View(device, part.keys), part)
    return fields


def _identified(resource: Resource, code: str) -> tuple[Key, ...]:
    """Return what a partner's resource is the same by, under whatever id: its code and each business identifier."""
    listed = resource.get("identifier", ())
    return tuple(
        (code, one["system"], one["value"])
        for one in (listed if isinstance(listed, list) else (listed,))
        if "system" in one and "value" in one
    )


def _root(reference: str, resource: Resource, name: str | None = None) -> str:
    """Return the root id of a resource's entry: its entry identifier, or one made from `name` or its reference."""
    identifiers = resource.get("identifier", ())
    for identifier in identifiers if isinstance(identifiers, list) else (identifiers,):
        value = identifier.get("value", "") if identifier else ""
        if value and identifier.get("system") == ENTRY_ID and _ENTRY_ID.fullmatch(value):
            return str(value)
    own, dot, _ = reference.partition("/")[2].partition(".")
    if dot and _ENTRY_ID.fullmatch(own) and own_kind(resource):
        return own
    return derived_entry_id(name or reference)


def derived_entry_id(name: str) -> str:
    """Return the entry id of a partner's resource: always the same for the same resource (RFC 4122 version 5)."""
    return str(uuid5(NAMESPACE_URL, f"{BASE}/{name}"))
