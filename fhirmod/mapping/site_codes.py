"""A site's own codes: which concept of ours each means, applied by the lens only; stored text stays as it came.

::

    CSV or ConceptMap --SiteCodes.read()--> rows      resource --applied()--> the same with our codings beside theirs

A row is (system, code, unit) -> concept. `unit` is how the sender writes it, or what is meant where none is written;
`ucum` is what that is in UCUM. A code without a system, or a concept that is text alone, is found under system "".
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from hashlib import sha256
from typing import Any

from fhirmod.errors import Finding, InvalidError
from terminology import OWN_SYSTEM, concept, find, keys

from .places import Component, MainValue
from .site_code_files import Line, lines_of
from .tables import TABLES
from .units import comparable, is_unit
from .urls import UCUM

_AMOUNTS = ("valueQuantity",)
_DOSES = ("dose", "rateQuantity")


@dataclass(frozen=True, slots=True)
class SiteCode:
    """What one local code means: our concept, and its unit as it is written there and in UCUM ("" for none)."""

    key: str
    unit: str = ""
    ucum: str = ""


@dataclass(frozen=True)
class SiteCodes:
    """The code map of a site; `text` is the file it was read from, `hash` names exactly that text."""

    rows: Mapping[tuple[str, str], tuple[SiteCode, ...]] = field(default_factory=dict)
    text: bytes = b""

    @property
    def hash(self) -> str:
        return sha256(self.text).hexdigest() if self.text else ""

    @classmethod
    def read(cls, text: bytes) -> "SiteCodes":
        """Return the map that a file says.

        Shape:  CSV with the columns system, code, concept and, if need be, unit and ucum; or a FHIR ConceptMap (JSON).
        Errors: UnreadableError if it is neither; InvalidError with a finding for each row that cannot be used.
        """
        return _read(text)

    def applied(self, resource: Any) -> Any:
        """Return a resource with our coding beside each local one and its units in UCUM; the same object if none is."""
        return self._seen(resource, "") if self.rows else resource

    def _seen(self, value: Any, name: str) -> Any:
        if isinstance(value, list):
            seen = [self._seen(item, name) for item in value]
            return seen if any(new is not old for new, old in zip(seen, value, strict=True)) else value
        if not isinstance(value, Mapping):
            return value
        changed: dict[str, Any] = {}
        for inner, item in value.items():
            rows = () if inner == "note" else self._rows_of(item)
            row = _chosen(rows, value) if rows else None
            if row is not None:
                changed[inner] = _coded(item, row)
                changed |= _measured(value, row)
            elif inner not in changed and (new := self._seen(item, inner)) is not item:
                changed[inner] = new
        return {**value, **changed} if changed else value

    def _rows_of(self, item: Any) -> tuple[SiteCode, ...]:
        """Return the rows that a CodeableConcept fits; none where our own coding says already what it means."""
        if not isinstance(item, Mapping) or not (isinstance(item.get("coding"), list) or _text_alone(item)):
            return ()
        codings = item.get("coding", ())
        if any(one.get("system") == OWN_SYSTEM for one in codings):
            return ()
        names = [(one.get("system", ""), one.get("code", "")) for one in codings] or [("", item.get("text", ""))]
        return tuple(row for name in names for row in self.rows.get(name, ()))


@lru_cache(maxsize=8)
def _read(text: bytes) -> SiteCodes:
    rows: dict[tuple[str, str], tuple[SiteCode, ...]] = {}
    findings: list[Finding] = []
    for line in lines_of(text):
        wrong = _wrong(line)
        there = rows.get((line.system, line.code), ())
        if wrong is None and any(one.unit == line.unit for one in there):
            unit = f" in {line.unit}" if line.unit else ""
            wrong = f"the code {line.code!r}{unit} of that system has a row already; one code means one thing"
        if wrong is not None:
            sentence = f"Row {line.number} of the code map cannot be used: {wrong}."
            findings.append(Finding("error", "code-map", "code-invalid", f"row {line.number}", sentence))
            continue
        rows[line.system, line.code] = (*there, SiteCode(_key(line.concept) or "", line.unit, line.ucum or line.unit))
    if findings:
        raise InvalidError("The code map cannot be used.", findings=tuple(findings))
    return SiteCodes(rows, text)


def _wrong(line: Line) -> str | None:
    """Return why a row cannot be used, or None."""
    if not line.code:
        return "it has no code"
    key = _key(line.concept)
    if key is None:
        return f"there is no concept {line.concept[:60]!r}; bindings.toml lists them"
    known = find([{"system": line.system, "code": line.code}], keys()) if line.system else None
    if known is not None and concept(known).code != concept(key).code:
        return f"{line.code!r} of that system means {known} everywhere, so it cannot mean {key} here"
    ucum = line.ucum or line.unit
    if not ucum:
        return None
    wanted = unit_of(key)
    if not is_unit(ucum):
        return f"{ucum!r} is no unit of UCUM; the column ucum says what {line.unit!r} is"
    if wanted is not None and not comparable(ucum, wanted):
        return f"the unit {ucum!r} does not convert to {wanted!r}, the unit of {key}"
    return None


def _key(name: str) -> str | None:
    """Return the key of a concept named by its key or by its own code."""
    return name if name in keys() else _by_code().get(name)


@cache
def _by_code() -> dict[str, str]:
    found: dict[str, str] = {}
    for key in keys():
        found.setdefault(concept(key).code, key)
    return found


def unit_of(key: str) -> str | None:
    """Return the UCUM unit of the number that stands beside this concept, or None if none does."""
    return _units().get(key) or concept(key).unit


@cache
def _units() -> dict[str, str]:
    found: dict[str, str] = {}
    for part in (part for table in TABLES.values() for part in table.parts):
        for row in part.rows:
            if isinstance(row.place, Component) and row.place.codec.unit:
                found[row.place.key] = row.place.codec.unit
            elif isinstance(row.place, MainValue) and row.place.codec.unit:
                found |= dict.fromkeys(part.by_key, row.place.codec.unit)
    return found


def _text_alone(item: Mapping[str, Any]) -> bool:
    return isinstance(item.get("text"), str) and item.keys() <= {"text", "id", "extension"}


def _chosen(rows: Iterable[SiteCode], parent: Mapping[str, Any]) -> SiteCode | None:
    """Return the row for the unit that stands beside a code, else the one of any unit, else the only meaning."""
    rows = list(rows)
    written = [_spellings(amount) for amount in _amounts(parent)]
    for row in rows:
        if row.unit and any(row.unit in one for one in written):
            return row
    plain = [row for row in rows if not row.unit]
    return plain[0] if plain else rows[0] if len({row.key for row in rows}) == 1 else None


def _coded(item: Mapping[str, Any], row: SiteCode) -> dict[str, Any]:
    ours = {"system": OWN_SYSTEM, "code": concept(row.key).code}
    return {**item, "coding": [*item.get("coding", ()), ours]}


def _measured(parent: Mapping[str, Any], row: SiteCode) -> dict[str, Any]:
    """Return the amounts beside a code with their unit in UCUM, where they are in the unit of the row or in none."""
    changed: dict[str, Any] = {}
    if not row.ucum:
        return changed
    for name in _AMOUNTS:
        if name in parent:
            changed[name] = _in_ucum(parent[name], row)
    if isinstance(parent.get("dosage"), Mapping):
        dosage = parent["dosage"]
        changed["dosage"] = {**dosage, **{name: _in_ucum(dosage[name], row) for name in _DOSES if name in dosage}}
    return changed


def _amounts(parent: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    dosage = parent.get("dosage")
    for source, names in ((parent, _AMOUNTS), (dosage if isinstance(dosage, Mapping) else {}, _DOSES)):
        yield from (source[name] for name in names if isinstance(source.get(name), Mapping))


def _in_ucum(amount: Any, row: SiteCode) -> Any:
    spellings = _spellings(amount)
    if row.unit in spellings or not spellings:
        return {**amount, "unit": row.ucum, "system": UCUM, "code": row.ucum}
    return amount


def _spellings(amount: Mapping[str, Any]) -> set[str]:
    return {str(amount[name]) for name in ("unit", "code") if name in amount}


NO_CODES = SiteCodes()
