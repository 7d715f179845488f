"""Searches over the table of search values: what meets them, and that none reads a table from end to end.

Source: https://sqlite.org/eqp.html (SCAN visits every row of a table, SEARCH some of them by an index).
"""

from functools import partial
from typing import Any

import pytest
from sqlalchemy import text

from fhirmod.store import Clause, Reader, Sought, Store
from fhirmod.store.search import hits, paged

from .rows import ALL, put, write

DAY: Clause = (("low", ">=", 10.0), ("low", "<=", 20.0), ("high", "<=", 20.0))
LATER: Clause = (("high", ">", 20.0),)
RATE: Clause = (("text", "=", "8867-4"), ("scope", "=", "http://loinc.org"))
NAMED: Clause = (("text", ">=", "ab"), ("text", "<", "ab\U0010ffff"))
CASES: list[tuple[list[Sought], str, str]] = [
    ([Sought(("code",), (RATE,))], "a b", "text=? AND scope=?"),
    ([Sought(("code",), (RATE,)), Sought(("date",), (DAY,))], "a", "text=? AND scope=?"),
    ([Sought(("date",), (DAY,))], "a", "low>? AND low<?"),
    ([Sought(("date",), (DAY, LATER))], "a b", "param=?"),
    ([Sought(("name",), (NAMED,))], "c", "text>? AND text<?"),
    ([Sought(("name",), ((("text", "contains", "bc"),),))], "c", "param=?"),
    ([Sought(("name",), ((),))], "c", "param=?"),
    ([Sought(("name",), ((),), none=True)], "a b", "type=?"),
    ([Sought(("code",), (RATE,)), Sought(("date",), (DAY,), none=True)], "b", "text=? AND scope=?"),
    ([Sought(("code", "name"), (RATE, NAMED))], "a b c", "param=?"),
    ([Sought(("code",), ((*RATE, ("scope", "holds", "loinc")),))], "a b", "text=? AND scope=?"),
    ([Sought(("code",), ((("text", "=", "8867-4"), ("scope", "holds", "LOINC")),))], "", "text=?"),
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


@pytest.mark.parametrize(("values", "expected", "_"), CASES)
def test_a_row_that_meets_a_clause_finds_its_resource(
    filled: Store, values: list[Sought], expected: str, _: str
) -> None:
    page = filled.read(lambda reader: reader.search(ALL, "Observation", values=values, count=9))
    assert [one.id for one in page.versions] == expected.split()
    assert page.total == len(expected.split())


@pytest.mark.parametrize(("values", "_", "narrowed"), CASES)
def test_no_search_of_values_reads_a_whole_table(
    filled: Store, backend: str, values: list[Sought], _: str, narrowed: str
) -> None:
    def plan(reader: Any) -> list[str]:
        statement = paged(hits("Observation", None, (), (), values), 0, 3).compile(
            dialect=reader._dialect, compile_kwargs={"literal_binds": True, "render_postcompile": True}
        )
        explain = "EXPLAIN QUERY PLAN" if backend == "sqlite" else "EXPLAIN (COSTS OFF)"
        if backend == "postgresql":
            reader._connection.execute(text("SET LOCAL enable_seqscan = off"))
        rows = reader._connection.execute(text(f"{explain} {statement}".replace(":", r"\:").replace("%%", "%")))
        return [str(row[-1]) for row in rows]

    lines = filled.read(plan)
    if backend == "postgresql":
        assert not [line for line in lines if "Seq Scan" in line], lines
        return
    allowed = ("hit", "CONSTANT", "(subquery-1)")
    assert not [line for line in lines if line.startswith("SCAN") and line.split()[1] not in allowed], lines
    assert any("SEARCH driver" in line and narrowed in line for line in lines), lines


def test_what_is_indexed_anew_is_found_by_that_and_by_nothing_else(filled: Store) -> None:
    filled.write(lambda writer: writer.reindex(ALL, {("Observation", "a"): [("name", "abd", "abd", 0.0, 0.0)]}))
    asked = [([Sought(("name",), (NAMED,))], "a c"), ([Sought(("code",), (RATE,))], "b")]
    for values, expected in asked:
        page = filled.read(partial(Reader.search, access=ALL, type_="Observation", values=values, count=9))
        assert " ".join(one.id for one in page.versions) == expected
