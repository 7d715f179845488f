"""Who and when: the envelope of an entry <-> native elements, and our `entry` extension for what R4 has none for."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fhirmod.episode import Absent, AtRange, Entry, Moment, Person

from . import absence
from .codec import Unread
from .paths import get_at, put_at
from .shapes import Shape
from .urls import ENTRY, ROLE, STAFF_ID, UCUM

NOBODY = {"display": "not recorded"}


def person(who: Person) -> dict[str, Any]:
    """Return the Reference to a practitioner by the site's own id, with the role in the room."""
    reference: dict[str, Any] = {"type": "Practitioner", "identifier": {"system": STAFF_ID, "value": who.id}}
    return reference | {"extension": [{"url": ROLE, "valueString": who.role}]} if who.role else reference


def read_person(reference: Any) -> Person | None:
    """Return who a Reference names, or None; a partner's practitioner is named by its reference or identifier."""
    if not isinstance(reference, Mapping) or reference == NOBODY:
        return None
    identifier = reference.get("identifier", {})
    name = identifier.get("value") if identifier.get("system") == STAFF_ID else None
    name = name or reference.get("reference") or identifier.get("value") or reference.get("display")
    roles = (item.get("valueString") for item in reference.get("extension", ()) if item.get("url") == ROLE)
    return Person(id=name[:200], role=next(roles, None)) if name else None


@dataclass(frozen=True, slots=True)
class _Sub:
    """One sub-extension of `entry`: the field it carries and how."""

    url: str
    field: str
    suffix: str
    write: Callable[[Any], Any] = str
    read: Callable[[Any], Any] = str


def _seconds(value: Any) -> dict[str, Any]:
    return {"value": value, "unit": "s", "system": UCUM, "code": "s"}


SUBS = (
    _Sub("kind", "kind", "Code"),
    _Sub("id", "id", "Id"),
    _Sub("at", "at", "DateTime", str, Moment),
    _Sub("recordedAt", "recorded_at", "DateTime", str, Moment),
    _Sub("performedBy", "performed_by", "Reference", person, read_person),
    _Sub("recordedBy", "recorded_by", "Reference", person, read_person),
    _Sub("witnessedBy", "witnessed_by", "Reference", person, read_person),
    _Sub("order", "order", "String"),
    _Sub("atSource", "at_source", "Code"),
    _Sub("clockSkew", "clock_skew_s", "Quantity", _seconds, lambda quantity: quantity["value"]),
    _Sub("corrects", "corrects", "Id"),
    _Sub("reason", "reason", "String"),
    _Sub("comment", "comment", "String"),
)
_BY_URL = {sub.url: sub for sub in SUBS}
RANGES = {"atPlusMinus": "plus_minus_min", "atEarliest": "earliest", "atLatest": "latest"}


def write_envelope(target: dict[str, Any], entry: Entry, shape: Shape) -> None:
    """Put the envelope into a resource: native elements by the shape, the rest into the `entry` extension."""
    _write_native(target, entry, shape)
    native = shape.native if entry.corrects else shape.native | {"id"}
    extension = {"url": ENTRY, "extension": _subs(entry, native)}
    target.setdefault("extension", []).insert(0, extension)


def _write_native(target: dict[str, Any], entry: Entry, shape: Shape) -> None:
    if shape.at:
        if isinstance(entry.at, Moment):
            put_at(target, shape.at, entry.at.text)
        else:
            *way, last = shape.at.split(".")
            put_at(target, ".".join([*way, f"_{last}"]), {"extension": absence.extension(entry.at)})
    if shape.recorded_at:
        target[shape.recorded_at] = entry.recorded_at.text
    if shape.performed_by and entry.performed_by:
        put_at(target, shape.performed_by, person(entry.performed_by))
    if shape.recorded_by and entry.recorded_by:
        put_at(target, shape.recorded_by, person(entry.recorded_by))
    if shape.note and entry.comment:
        target["note"] = [{"text": entry.comment}]


def _subs(entry: Entry, native: frozenset[str]) -> list[dict[str, Any]]:
    subs: list[dict[str, Any]] = []
    for sub in SUBS:
        if sub.field in native:
            continue
        value = getattr(entry, sub.field, None)
        if value is None:
            continue
        if type(value) is Absent:
            subs.append({"url": sub.url, "extension": absence.extension(value)})
        else:
            subs.append({"url": sub.url, f"value{sub.suffix}": sub.write(value)})
    if entry.at_range is not None:
        spread = entry.at_range.plus_minus_min
        if spread is not None:
            subs.append({"url": "atPlusMinus", "valueDecimal": spread})
        for url, moment in (("atEarliest", entry.at_range.earliest), ("atLatest", entry.at_range.latest)):
            if moment is not None:
                subs.append({"url": url, "valueDateTime": moment.text})
    return subs


def read_envelope(resource: Mapping[str, Any], shape: Shape) -> dict[str, Any]:
    """Return the envelope fields a resource states; `kind` and `id` only where our extension has them."""
    fields: dict[str, Any] = {}
    for item in resource.get("extension", ()):
        if item.get("url") == ENTRY:
            fields |= read_subs(item.get("extension", ()))
    if shape.at:
        fields["at"] = read_time(resource, shape.at)
    if shape.recorded_at and shape.recorded_at in resource:
        fields["recorded_at"] = _moment_or_absent(resource[shape.recorded_at])
    for name, path in (("performed_by", shape.performed_by), ("recorded_by", shape.recorded_by)):
        if path and (who := read_person(get_at(resource, path))) is not None:
            fields[name] = who
    if shape.note and (notes := [note.get("text", "") for note in resource.get("note", ())]):
        fields["comment"] = "\n".join(notes)
    return fields


def read_subs(items: Any) -> dict[str, Any]:
    """Return the fields that the sub-extensions of `entry` or `retraction` carry."""
    fields: dict[str, Any] = {}
    at_range: dict[str, Any] = {}
    for item in items:
        url = item.get("url")
        if url in RANGES:
            at_range[RANGES[url]] = item.get("valueDecimal", item.get("valueDateTime"))
        elif url in _BY_URL:
            sub = _BY_URL[url]
            value = item.get(f"value{sub.suffix}")
            fields[sub.field] = absence.from_extension(item.get("extension")) if value is None else sub.read(value)
    if at_range:
        fields["at_range"] = AtRange.model_validate(at_range)
    return fields


def read_time(resource: Mapping[str, Any], path: str) -> Moment | Absent:
    """Return when: the native element, or its sibling forms (a Period's start, an instant), or why it is absent."""
    value = get_at(resource, path)
    if value is not None:
        return _moment_or_absent(value)
    *way, last = path.split(".")
    shadow = get_at(resource, ".".join([*way, f"_{last}"])) or {}
    if (absent := absence.from_extension(shadow.get("extension"))) is not None:
        return absent
    stem = last.removesuffix("DateTime")
    if stem == last:
        return Absent(absent="not-known")
    if (period := resource.get(f"{stem}Period")) is not None and "start" in period:
        return _moment_or_absent(period["start"])
    if (instant := resource.get(f"{stem}Instant")) is not None:
        return _moment_or_absent(instant)
    other = next((name for name in resource if name.startswith(stem)), None)
    if other is not None and other != f"{stem}Period":
        raise Unread(f"the time is given as {other}; a dateTime, instant or Period with a start is read here")
    return Absent(absent="not-known")


def _moment_or_absent(text: str) -> Moment | Absent:
    try:
        return Moment(text)
    except ValueError:
        return Absent(absent="not-known", why=f"only {text} was stated")
