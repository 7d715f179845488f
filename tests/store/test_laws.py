"""Any order of puts and deletions, in any grouping: the store answers as a plain list of versions would."""

from collections import defaultdict
from collections.abc import Sequence
from tempfile import TemporaryDirectory
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirmod.store import Chained, Had, Order, Put, Reader, Version, open_store

from .rows import ALL, NOW, carrying, opened, referring, values_of, write, write_in

TYPES, IDS, CODES = ("Observation", "Procedure"), ("a", "b", "c"), ("x", "y")
SYSTEMS = ("", "urn:s")

tokens = st.lists(st.tuples(st.sampled_from(("code", "identifier")), st.sampled_from(SYSTEMS), st.sampled_from(CODES)))
references = st.lists(st.tuples(st.sampled_from(("subject", "part-of")), st.sampled_from(TYPES), st.sampled_from(IDS)))


@st.composite
def puts(draw: st.DrawFn) -> Put:
    found_by, refers = tuple(draw(tokens)), tuple(draw(references))
    return Put(
        draw(st.sampled_from(TYPES)),
        draw(st.sampled_from(IDS)),
        draw(st.sampled_from(("asserted", "assembled", "derived"))),
        "PUT",
        draw(st.binary(max_size=20)),
        found_by,
        refers,
        values=values_of(found_by, refers),
    )


class Model:
    """The same, the plain way."""

    def __init__(self) -> None:
        self.versions: list[tuple[Put, Version]] = []

    def add(self, each: Put, episode_version: int | None) -> None:
        number = 1 + sum((v.type, v.id) == (each.type, each.id) for _, v in self.versions)
        assert not callable(each.body)
        row = Version(each.type, each.id, number, NOW, each.owner, each.method, each.body, episode_version)
        self.versions.append((each, row))

    def current(self) -> dict[tuple[str, str], tuple[Put, Version]]:
        found: dict[tuple[str, str], tuple[Put, Version]] = {}
        for each, row in self.versions:
            found[row.type, row.id] = (each, row)  # a dict keeps the order of first writing
        return found

    def living(self, type_: str) -> list[tuple[Put, Version]]:
        return [(p, v) for p, v in self.current().values() if v.type == type_ and v.body is not None]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.lists(puts(), min_size=1, max_size=5), st.booleans(), st.booleans()), min_size=1, max_size=12)
)
def test_the_store_answers_as_a_plain_list_would(groups: list[tuple[list[Put], bool, bool]]) -> None:
    model = Model()
    with TemporaryDirectory() as folder, open_store(f"sqlite:///{folder}/record.db") as store:
        opened(store)
        for group, deleting, placed in groups:
            there = model.current()
            gone = there.keys() if deleting else ()
            done = [
                each._replace(method="DELETE", body=None) if (each.type, each.id) in gone else each for each in group
            ]
            version = write_in(store, "e1", *done) if placed else None
            if not placed:
                write(store, *done)
            for each in done:
                model.add(each._replace(episode="e1" if placed else None), version)
        store.read(lambda r: compare(r, model))


def compare(r: Reader, model: Model) -> None:
    members = [row for each, row in model.versions if each.episode]
    assert r.members(ALL, "e1") == members
    for key, (_, row) in model.current().items():
        assert r.get(ALL, *key) == row
        history = [v for _, v in model.versions if (v.type, v.id) == key]
        assert r.history(ALL, *key) == history[::-1]
    for type_ in TYPES:
        living = model.living(type_)
        assert searched(r, type_) == [v for _, v in living]
        for code in CODES:
            for system in (*SYSTEMS, None):
                wanted = [
                    v
                    for p, v in living
                    if any(t[0] == "code" and t[2] == code and system in (t[1], None) for t in p.tokens)
                ]
                assert searched(r, type_, criteria=[carrying("code", (system, code))]) == wanted
            named = [v.id for p, v in living if ("identifier", "urn:s", code) in p.tokens]
            assert r.identified(ALL, type_, "urn:s", code) == named
        for target in TYPES:
            either = [v for p, v in living if {("subject", target, "a"), ("subject", target, "b")} & set(p.references)]
            assert searched(r, type_, criteria=[referring("subject", target, "a", "b")]) == either
            both = [v for v in either if any(("code", "", "x") in p.tokens for p, w in living if w == v)]
            criteria = [referring("subject", target, "a", "b"), carrying("code", ("", "x"))]
            assert searched(r, type_, criteria=criteria) == both
            led = {v.id for p, v in model.living(target) if ("code", "", "x") in p.tokens}
            chain = Chained(("subject",), ((target, carrying("code", ("", "x"))),))
            wanted = [
                v for p, v in living if any(one[:2] == ("subject", target) and one[2] in led for one in p.references)
            ]
            assert searched(r, type_, criteria=[chain]) == wanted
            leading = {
                one[2]
                for p, _ in model.living(target)
                if ("code", "", "x") in p.tokens
                for one in p.references
                if one[:2] == ("subject", type_)
            }
            had = Had(target, ("subject",), carrying("code", ("", "x")))
            assert searched(r, type_, criteria=[had]) == [v for _, v in living if v.id in leading]
            assert searched(r, type_, criteria=[had, chain]) == [v for v in wanted if v.id in leading]
        for down in (False, True):
            order = (Order(("code",), "text", down=down), Order(("subject",), "text", down=not down))
            by = [(v, _codes(p, "code", 2, down), _codes(p, "subject", 2, not down)) for p, v in living]
            by = by if down else by[::-1]  # the last of the orders goes down: so do equals
            ranked = sorted(by, key=lambda one: (_rank(one[1], down), _rank(one[2], not down)))
            assert searched(r, type_, orders=order) == [v for v, _, _ in ranked]
    led_by: dict[tuple[str, str], list[tuple[str, str, str]]] = defaultdict(list)
    for each, row in model.current().values():
        if row.body is not None:
            for param, target, id_ in sorted(set(each.references)):
                led_by[target, id_].append((row.type, row.id, param))
    for target in TYPES:
        for id_ in IDS:
            assert r.referrers(ALL, target, id_) == led_by[target, id_]


def _codes(put: Put, param: str, at: int, down: bool) -> str | None:
    """Return the value that counts: the largest going down, the smallest going up."""
    found = [one[at] for one in (*put.tokens, *put.references) if one[0] == param]
    return (max if down else min)(found) if found else None


def _rank(value: str | None, down: bool) -> tuple[bool, int]:
    """Return what sorts as asked, what has no value last."""
    return value is None, 0 if value is None else -ord(value) if down else ord(value)


def searched(r: Reader, type_: str, **criteria: Any) -> Sequence[Version]:
    """Return what a search finds, page by page of two."""
    found: list[Version] = []
    after = None
    while True:
        page = r.search(ALL, type_, count=2, after=after, **criteria)
        found.extend(page.versions)
        assert len(found) <= len(TYPES) * len(IDS)
        after = page.next
        if after is None:
            assert page.total == len(found)
            return found
