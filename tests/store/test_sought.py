"""Searches over the table of search values: what meets a criterion."""

from functools import partial

import pytest

from fhirmod.store import Clause, Reader, Sought, Store

from .rows import ALL, put, write

DAY: Clause = (("low", ">=", 10.0), ("low", "<=", 20.0), ("high", "<=", 20.0))
LATER: Clause = (("high", ">", 20.0),)
RATE: Clause = (("text", "=", "8867-4"), ("scope", "=", "http://loinc.org"))
NAMED: Clause = (("text", ">=", "ab"), ("text", "<", "ab\U0010ffff"))
CASES: list[tuple[list[Sought], str]] = [
    ([Sought(("code",), (RATE,))], "a b"),
    ([Sought(("code",), (RATE,)), Sought(("date",), (DAY,))], "a"),
    ([Sought(("date",), (DAY,))], "a"),
    ([Sought(("date",), (DAY, LATER))], "a b"),
    ([Sought(("name",), (NAMED,))], "c"),
    ([Sought(("name",), ((("text", "holds", "bc"),),))], "c"),
    ([Sought(("name",), ((),))], "c"),
    ([Sought(("name",), ((),), none=True)], "a b"),
    ([Sought(("code",), (RATE,)), Sought(("date",), (DAY,), none=True)], "b"),
    ([Sought(("code", "name"), (RATE, NAMED))], "a b c"),
    ([Sought(("code",), ((*RATE, ("scope", "holds", "loinc")),))], "a b"),
    ([Sought(("code",), ((("text", "=", "8867-4"), ("scope", "holds", "LOINC")),))], ""),
]


@pytest.fixture
def filled(store: Store) -> Store:
    rate = ("code", "8867-4", "http://loinc.org", 0.0, 0.0)
    write(
        store,
        put("a", values=(rate, ("date", "", "", 10.0, 20.0))),
        put("b", values=(rate, ("date", "", "", 30.0, 40.0))),
        put("c", values=(("name", "abc", "ABC", 0.0, 0.0),)),
        put("p", type_="Procedure", values=(rate,)),
    )
    return store


@pytest.mark.parametrize(("values", "expected"), CASES)
def test_a_row_that_meets_a_clause_finds_its_resource(filled: Store, values: list[Sought], expected: str) -> None:
    page = filled.read(lambda reader: reader.search(ALL, "Observation", criteria=values, count=9))
    assert [one.id for one in page.versions] == expected.split()
    assert page.total == len(expected.split())


def test_what_is_indexed_anew_is_found_by_that_and_by_nothing_else(filled: Store) -> None:
    filled.write(lambda writer: writer.reindex(ALL, {("Observation", "a"): (1, [("name", "abd", "abd", 0.0, 0.0)])}))
    for other in (0, 2):  # it was written meanwhile, and indexed by that
        filled.write(lambda writer, other=other: writer.reindex(ALL, {("Observation", "a"): (other, [])}))  # type: ignore[misc]
    asked = [([Sought(("name",), (NAMED,))], "a c"), ([Sought(("code",), (RATE,))], "b")]
    for values, expected in asked:
        page = filled.read(partial(Reader.search, access=ALL, type_="Observation", criteria=values, count=9))
        assert " ".join(one.id for one in page.versions) == expected
