"""Search by id, token and reference, and paging (FHIR R4 http://hl7.org/fhir/R4/search.html#token, #reference, #Paging)."""

from functools import partial
from typing import Any

import pytest

from fhirmod.errors import InvalidError
from fhirmod.store import Page, Store

from .rows import ALL, gone, put, write

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


def found(store: Store, criteria: dict[str, Any], **more: Any) -> Page:
    return store.read(lambda r: r.search(ALL, "Observation", **criteria, **more))


CASES: list[tuple[dict[str, Any], str]] = [
    ({}, "o1 o2 o3 o4"),
    ({"ids": ["o3", "o1", "o5", "r1", "none"]}, "o1 o3"),
    ({"ids": []}, ""),
    ({"tokens": [("code", [(None, "a")])]}, "o1 o3"),
    ({"tokens": [("code", [("urn:two", "a")])]}, "o1 o3"),
    ({"tokens": [("code", [("urn:none", "a")])]}, ""),
    ({"tokens": [("code", [("", "a")])]}, ""),
    ({"tokens": [("status", [("", "final")])]}, "o1 o2 o3 o4"),
    ({"tokens": [("code", [(None, "a"), ("urn:one", "c")])]}, "o1 o3 o4"),
    ({"tokens": [("code", [("urn:two", None)])]}, "o1 o2 o3 o4"),
    ({"tokens": [("code", [("urn:none", None), ("urn:one", "c")])]}, "o4"),
    ({"tokens": [("status", [("", None)]), ("code", [(None, "b")])]}, "o2"),
    ({"tokens": [("code", [])]}, ""),
    ({"tokens": [("code", [(None, "a")]), ("code", [(None, "b")])]}, ""),
    ({"tokens": [("status", [(None, "final")]), ("code", [(None, "b")])]}, "o2"),
    ({"references": [("subject", "Patient", ["p1"])]}, "o1 o2"),
    ({"references": [("subject", "Patient", ["p2", "p1"])]}, "o1 o2 o3 o4"),
    ({"references": [("subject", "Group", ["p1"])]}, ""),
    ({"references": [("subject", "Patient", [])]}, ""),
    ({"references": [("subject", "Patient", ["p2"]), ("part-of", "Procedure", ["x"])]}, "o3 o4"),
    ({"references": [("subject", "Patient", ["p1"])], "tokens": [("code", [(None, "a")])]}, "o1"),
    ({"ids": ["o1", "o2"], "tokens": [("code", [(None, "b"), (None, "a")])]}, "o1 o2"),
]


@pytest.mark.parametrize(("criteria", "expected"), CASES)
def test_every_criterion_must_hold_and_any_alternative_will_do(
    filled: Store, criteria: dict[str, Any], expected: str
) -> None:
    page = found(filled, criteria, count=10)
    assert [each.id for each in page.versions] == expected.split()
    assert page.total == len(expected.split())
    assert page.next is None


def test_search_sees_the_current_version_only(store: Store) -> None:
    write(store, put(body=b"1", tokens=(("code", "", "a"),), references=(("subject", "Patient", "p1"),)))
    write(store, put(body=b"2", tokens=(("code", "", "b"),), references=(("subject", "Patient", "p2"),)))
    for old in ({"tokens": [("code", [(None, "a")])]}, {"references": [("subject", "Patient", ["p1"])]}):
        assert found(store, old, count=1).total == 0
    for new in ({"tokens": [("code", [(None, "b")])]}, {"references": [("subject", "Patient", ["p2"])]}):
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
    "criteria", [{}, {"tokens": [("status", [("", "final")])]}, {"tokens": [("status", [("", "final"), ("", "x")])]}]
)
def test_paging_shows_everything_once_while_others_insert_change_and_delete(
    store: Store, criteria: dict[str, Any]
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


@pytest.mark.parametrize("cursor", ["", "x", "1", "1-2-3", "-1-2", "1-2\n", "\u0661-\u0662", "9" * 40 + "-1"])
def test_a_foreign_cursor_is_refused_in_one_sentence(store: Store, cursor: str) -> None:
    with pytest.raises(InvalidError, match=r"^The page cursor .* is not one of ours; follow the link 'next'"):
        store.read(lambda r: r.search(ALL, "Observation", after=cursor, count=1))


def test_no_search_reads_a_whole_table(filled: Store, backend: str) -> None:
    """Every table of ours is read through an index.

    Source: https://sqlite.org/eqp.html (SEARCH); https://www.postgresql.org/docs/15/using-explain.html (Index Scan,
            where reading the whole table is made dear: these tables are too small to be worth an index).
    """
    for criteria, _ in CASES:
        plan = filled.read(partial(PLANS[backend], criteria=criteria))
        wanted = "id" if {"ids", "references"} & criteria.keys() else "value"
        if wanted == "value" and not any(
            all(value is not None for _, value in asked) for _, asked in criteria.get("tokens", ())
        ):
            wanted = "type"
        driver = next(line for line in plan if "driver" in line)
        # which of its indexes PostgreSQL takes hangs on how full the tables are; these are nearly empty
        assert backend == "postgresql" or f"{wanted}=?" in driver, (criteria, plan)


def _sqlite_plan(reader: Any, criteria: dict[str, Any]) -> list[str]:
    plan = [row[3] for row in _explained(reader, "EXPLAIN QUERY PLAN", criteria)]
    allowed = ("hit", "CONSTANT", "(subquery-1)")
    assert not [line for line in plan if line.startswith("SCAN") and line.split()[1] not in allowed], plan
    return [line for line in plan if line.startswith("SEARCH")]


def _postgresql_plan(reader: Any, criteria: dict[str, Any]) -> list[str]:
    from sqlalchemy import text

    reader._connection.execute(text("SET LOCAL enable_seqscan = off"))
    plan = [str(row[0]).strip() for row in _explained(reader, "EXPLAIN (COSTS OFF)", criteria)]
    assert not [line for line in plan if "Seq Scan" in line], plan
    return ["driver"]


PLANS: dict[str, Any] = {"sqlite": _sqlite_plan, "postgresql": _postgresql_plan}


def _explained(reader: Any, explain: str, criteria: dict[str, Any]) -> Any:
    from sqlalchemy import text

    from fhirmod.store.search import hits, paged

    hit = hits("Observation", criteria.get("ids"), criteria.get("tokens", ()), criteria.get("references", ()))
    statement = paged(hit, 0, 3).compile(
        dialect=reader._dialect, compile_kwargs={"literal_binds": True, "render_postcompile": True}
    )
    return reader._connection.execute(text(f"{explain} {statement}".replace(":", r"\:")))
