"""Entries of any kind with any field given, absent or left out: built from the models, to test laws on all of them."""

import types
from decimal import Decimal
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from hypothesis import strategies as st
from pydantic import BaseModel

from fhirmod.episode import KINDS, Absent, Entry, Moment, read_entry
from fhirmod.errors import InvalidError

UUIDS = st.uuids(version=4).map(str)
MINUTES = st.integers(0, 24 * 60 - 1)
INSTANTS = st.builds(
    lambda minute, second, offset: (
        f"2026-03-{1 + minute // 1440:02}T{minute // 60 % 24:02}:{minute % 60:02}:{second:02}{offset}"
    ),
    MINUTES,
    st.integers(0, 59),
    st.sampled_from(["Z", "+01:00", "-05:30"]),
)
WORDS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), min_size=1, max_size=12).filter(
    lambda t: t.strip()
)
ABSENT = st.builds(
    lambda absent, why: {"absent": absent} | ({"why": why} if why else {}),
    st.sampled_from(["not-known", "not-done", "could-not-measure", "not-applicable"]),
    st.none() | WORDS,
)
DECIMALS = st.sampled_from(["0", "1", "7", "12", "50", "98", "1.50", "0.010", "36.5"]).map(Decimal)
WHOLE = st.integers(1, 12)
TIMES = INSTANTS | st.just("2026-03-01") | ABSENT
PERSON = st.none() | st.builds(lambda i, r: {"id": i} | ({"role": r} if r else {}), WORDS, st.none() | WORDS)
CARRIERS = [
    "(01)51022222233336(11)141231(17)150707(10)A213B1(21)1234",
    "]d201008123456789011124011510LOT789XYZ\x1d21IP2000-123456",
    "(01)00812345678902(17)270300(10)WRONG-DIGIT",
    "+J123AQ3451/$$3231231BC34567/S4012R",
    "+$$02231162074ZA",
    "=/A9999XYZ100T0944=,000025=A99971312345600=>014032=}013032&,1000000000000XYZ123",
    "\x1dnot one",
]
ENVELOPE = {
    "at": TIMES,
    "recorded_at": INSTANTS,
    "at_source": st.sampled_from([None, "device-clock", "typed", "recalled"]),
    "at_range": st.sampled_from(
        [None, {"plus_minus_min": 5}, {"earliest": "2026-03-01T02:00:00Z", "latest": "2026-03-01T03:00:00Z"}]
    ),
    "clock_skew_s": st.sampled_from([None, Decimal(-30), Decimal("1.5")]),
    "performed_by": PERSON,
    "recorded_by": PERSON,
    "witnessed_by": PERSON,
    "order": st.none() | WORDS,
    "comment": st.none() | WORDS,
}


def field_values(annotation: Any, metadata: tuple[Any, ...] = ()) -> st.SearchStrategy[Any]:
    """Return a strategy for the JSON values of a field, by its annotation."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        return field_values(inner, (*metadata, *more))
    if get_origin(annotation) in (Union, types.UnionType):
        return st.one_of(*(field_values(arm, metadata) for arm in get_args(annotation)))
    if annotation is type(None):
        return st.none()
    if annotation is Absent:
        return ABSENT
    if annotation is Decimal:
        whole = any(getattr(item, "whole", False) for item in metadata)
        return WHOLE if whole else DECIMALS
    if annotation is Moment:
        return INSTANTS | st.just("2027-01-31")
    if annotation is bool:
        return st.booleans()
    if get_origin(annotation) is Literal:
        return st.sampled_from(get_args(annotation))
    if get_origin(annotation) is tuple:
        return st.lists(field_values(get_args(annotation)[0]), max_size=3, unique=True)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return documents(annotation)
    if any("[0-9a-f]{8}" in str(getattr(item, "pattern", "")) for item in metadata):
        return UUIDS
    if any("[A-Za-z][A-Za-z0-9+.-]*:" in str(getattr(item, "pattern", "")) for item in metadata):
        return st.sampled_from(["urn:oid:2.999.1", "https://example.org/ids"])
    if any("(19|2[0-9])[0-9]{2}(-(0[1-9]" in str(getattr(item, "pattern", "")) for item in metadata):
        return st.sampled_from(["2027", "2027-03", "2027-01-31", "2026-03-01T02:10:00+01:00"])
    if any("\\x05-" in str(getattr(item, "pattern", "")) for item in metadata):
        return WORDS | st.sampled_from(CARRIERS)
    return WORDS


def documents(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    """Return a strategy for the JSON documents of a part."""
    fields = {name: field_values(info.annotation, tuple(info.metadata)) for name, info in model.model_fields.items()}
    return st.fixed_dictionaries(fields).map(_without_none)


def any_entry(kind: str) -> st.SearchStrategy[Entry]:
    """Return a strategy for valid entries of a kind."""
    model = KINDS[kind]
    own = {name: info for name, info in model.model_fields.items() if name not in Entry.model_fields}
    fields = {name: field_values(info.annotation, tuple(info.metadata)) for name, info in own.items()}
    fields |= ENVELOPE | {"kind": st.just(kind), "id": UUIDS}
    if kind == "retraction":
        fields["reason"] = WORDS
    return st.fixed_dictionaries(fields).map(_without_none).map(_readable).filter(lambda entry: entry is not None)


def _readable(document: dict[str, Any]) -> Any:
    try:
        return read_entry(document)
    except InvalidError:
        return None


def _without_none(document: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in document.items() if value is not None}


@st.composite
def histories(draw: st.DrawFn, least: int = 8, most: int = 20) -> list[Entry]:
    """Return a strategy for histories: entries of many kinds, corrections, corrections of these, retractions, undoing."""
    kinds = [kind for kind in KINDS if kind not in ("opening", "retraction")]
    entries = [draw(any_entry(draw(st.sampled_from(kinds)))) for _ in range(draw(st.integers(least, most)))]
    entries = [entry.model_copy(update={"recorded_by": None}) for entry in entries]
    placements = [entry.id for entry in entries if entry.kind == "placement"]
    named = {"placement": placements, "preparation": [one.id for one in entries if one.kind == "balloon-preparation"]}
    entries = [_naming(entry, named) for entry in entries]
    for _ in range(draw(st.integers(1, 5))):
        target = draw(st.sampled_from([entry for entry in entries if entry.kind != "retraction"]))
        change = {"corrects": target.id, "reason": "a slip", "recorded_by": None}
        entries.append(_naming(draw(any_entry(target.kind)).model_copy(update=change), named))
    for _ in range(draw(st.integers(0, 3))):
        target = draw(st.sampled_from(entries))
        retraction = draw(any_entry("retraction"))
        entries.append(retraction.model_copy(update={"retracts": target.id, "recorded_by": None}))
    return entries


def _naming(entry: Entry, named: dict[str, list[str]]) -> Entry:
    """Return the entry with the balloon or preparation it names being one of the history, or none."""
    fields = {name: (ids[0] if ids else None) for name, ids in named.items() if getattr(entry, name, None)}
    return entry.model_copy(update=fields)
