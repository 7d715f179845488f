"""Search by id, token and reference, and paging (FHIR R4 http://hl7.org/fhir/R4/search.html#token, #reference, #Paging)."""

from collections.abc import Sequence
from typing import Any

import pytest

from fhirmod.errors import InvalidError
from fhirmod.store import Criterion, Order, Page, Store

from .rows import ALL, carrying, gone, put, referring, write

CODES = {"o1": "a", "o2": "b", "o3": "a", "o4": "c"}


@pytest.fixture
def filled(store: Store) -> Store:
    write(
        store,
        *[
            put(
                id_,
                tokens=(("code", "urn:one", code), ("code", "urn:two", code), ("status", "", "final")),
                references=(("subject", "Patient", "p1" if id_ < "o3" else "p2"), ("part-of", "Procedure", "x")),
            )
            for id_, code in CODES.items()
        ],
        put("r1", type_="Procedure", tokens=(("code", "urn:one", "a"),), references=(("subject", "Patient", "p1"),)),
        put("o5", tokens=(("code", "urn:one", "a"),)),
    )
    write(store, gone("o5"))
    return store


def found(store: Store, criteria: Sequence[Criterion], **more: Any) -> Page:
    return store.read(lambda r: r.search(ALL, "Observation", criteria, **more))


CASES: list[tuple[list[Criterion], str]] = [
    ([], "o1 o2 o3 o4"),
    ([carrying("_id", (None, "o3"), (None, "o1"), (None, "o5"), (None, "r1"), (None, "none"))], "o1 o3"),
    ([carrying("_id")], ""),
    ([carrying("code", (None, "a"))], "o1 o3"),
    ([carrying("code", ("urn:two", "a"))], "o1 o3"),
    ([carrying("code", ("urn:none", "a"))], ""),
    ([carrying("code", ("", "a"))], ""),
    ([carrying("status", ("", "final"))], "o1 o2 o3 o4"),
    ([carrying("code", (None, "a"), ("urn:one", "c"))], "o1 o3 o4"),
    ([carrying("code", ("urn:two", None))], "o1 o2 o3 o4"),
    ([carrying("code", ("urn:none", None), ("urn:one", "c"))], "o4"),
    ([carrying("status", ("", None)), carrying("code", (None, "b"))], "o2"),
    ([carrying("code")], ""),
    ([carrying("code", (None, "a")), carrying("code", (None, "b"))], ""),
    ([carrying("status", (None, "final")), carrying("code", (None, "b"))], "o2"),
    ([referring("subject", "Patient", "p1")], "o1 o2"),
    ([referring("subject", "Patient", "p2", "p1")], "o1 o2 o3 o4"),
    ([referring("subject", "Group", "p1")], ""),
    ([referring("subject", "Patient")], ""),
    ([referring("subject", "Patient", "p2"), referring("part-of", "Procedure", "x")], "o3 o4"),
    ([referring("subject", "Patient", "p1"), carrying("code", (None, "a"))], "o1"),
    ([carrying("_id", (None, "o1"), (None, "o2")), carrying("code", (None, "b"), (None, "a"))], "o1 o2"),
]


@pytest.mark.parametrize(("criteria", "expected"), CASES)
def test_every_criterion_must_hold_and_any_alternative_will_do(
    filled: Store, criteria: list[Criterion], expected: str
) -> None:
    page = found(filled, criteria, count=10)
    assert [each.id for each in page.versions] == expected.split()
    assert page.total == len(expected.split())
    assert page.next is None


def test_search_sees_the_current_version_only(store: Store) -> None:
    write(store, put(body=b"1", tokens=(("code", "", "a"),), references=(("subject", "Patient", "p1"),)))
    write(store, put(body=b"2", tokens=(("code", "", "b"),), references=(("subject", "Patient", "p2"),)))
    for old in ([carrying("code", (None, "a"))], [referring("subject", "Patient", "p1")]):
        assert found(store, old, count=1).total == 0
    for new in ([carrying("code", (None, "b"))], [referring("subject", "Patient", "p2")]):
        page = found(store, new, count=1)
        assert [each.body for each in page.versions] == [b"2"]


def test_who_refers_to_a_resource_is_known(filled: Store) -> None:
    assert filled.read(lambda r: r.referrers(ALL, "Patient", "p1")) == [
        ("Observation", "o1", "subject"),
        ("Observation", "o2", "subject"),
        ("Procedure", "r1", "subject"),
    ]
    assert filled.read(lambda r: r.referrers(ALL, "Group", "p1")) == []


@pytest.mark.parametrize(
    "criteria", [[], [carrying("status", ("", "final"))], [carrying("status", ("", "final"), ("", "x"))]]
)
def test_paging_shows_everything_once_while_others_insert_change_and_delete(
    store: Store, criteria: list[Criterion]
) -> None:
    token = (("status", "", "final"),)
    write(store, *[put(f"o{number:02}", tokens=token) for number in range(10)])
    seen: list[str] = []
    after = None
    for turn in range(20):
        page = found(store, criteria, after=after, count=3)
        assert page.total == 10
        assert len(page.versions) <= 3
        seen.extend(each.id for each in page.versions)
        after = page.next
        if after is None:
            break
        write(store, put(f"a{turn}", tokens=token), put("o00", b"again", tokens=token))  # before and behind
        if turn == 0:
            write(store, gone("o01"))  # one that was shown already
    assert seen == [f"o{number:02}" for number in range(10)] + seen[10:]
    assert len(seen) == len(set(seen))


def test_a_page_of_nothing_still_counts(filled: Store) -> None:
    page = filled.read(lambda r: r.search(ALL, "Observation", count=0))
    assert page == ([], None, 4)


@pytest.mark.parametrize(
    "cursor",
    ["", "x", "1", "WzEsMixbXV0=", "WzEsMixbXV0\n", "WzEsMixb", "\u0661", "WzEsMixbM11d", "WzEsLTIsW11d", "W1tbW1tb"],
)
def test_a_foreign_cursor_is_refused_in_one_sentence(store: Store, cursor: str) -> None:
    with pytest.raises(InvalidError, match=r"^The page cursor .* is not one of ours; follow the link 'next'"):
        store.read(lambda r: r.search(ALL, "Observation", after=cursor, count=1))


def test_many_matches_are_counted_only_if_asked(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("fhirmod.store.search.FEW", 2)
    monkeypatch.setattr("fhirmod.store.reader.FEW_MATCHES", 3)
    status = ("status", "", "final")
    write(store, *[put(f"o{number}", tokens=(status, ("code", "", "ab"[number % 2]))) for number in range(8)])
    final, a = carrying("status", ("", "final")), carrying("code", ("", "a"))
    by_code = (Order(("code",), "text"),)
    for orders, asked in (((), 2), (by_code, 2)):  # what is sorted is weighed first, and need not be counted then
        before = store.counters.read_statements
        assert found(store, [final], orders=orders, count=2, counted=None).total is None
        assert store.counters.read_statements - before == asked
    for criteria, counted, count, total in (
        ([final], None, 2, None),  # more than few
        ([a], None, 2, None),
        ([a], None, 9, 4),  # all on the page
        ([final, a], None, 2, None),  # neither is rare: each match would be probed
        ([carrying("code", ("", "c"))], None, 2, 0),
        ([final, a], True, 2, 4),
        ([final, a], False, 9, None),
        ([final], True, 0, 8),
    ):
        page = found(store, criteria, count=count, counted=counted)
        assert page.total == total, (criteria, counted, count)
        if page.next is not None and total is not None:
            assert found(store, criteria, count=count, after=page.next).total == total
