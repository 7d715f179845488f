"""No search reads a whole table: each is driven by an index, each further criterion is a look-up by key.

Source: https://sqlite.org/eqp.html (SEARCH); https://www.postgresql.org/docs/15/using-explain.html (Index Scan, where
        reading the whole table is made dear: these tables are too small to be worth an index).
"""

import re
from functools import partial

import pytest
from sqlalchemy import text

from fhirmod.store import Chained, Criterion, Had, Order, Reader, Sought, Store
from fhirmod.store.paging import paged, total, walked, walks
from fhirmod.store.prepared import Filled
from fhirmod.store.search import FEW, matching, planned, sampled
from fhirmod.store.sought import Values, form

from .rows import carrying, put, referring, write

DAY = Sought(("date",), ((("text", "=", ""), ("low", ">=", 10.0), ("low", "<=", 20.0), ("high", "<=", 20.0)),))
WITHIN = Sought(("_lastUpdated",), ((("low", ">=", 10.0), ("low", "<=", 20.0)),))
NAMED = Sought(("name",), ((("text", ">=", "ab"), ("text", "<", "ab\U0010ffff")),))
MADE = re.compile("CO-ROUTINE|MATERIALIZE")  # what the statement itself makes may be read whole
ONLY = Sought(
    ("subject", "patient:identifier"),
    ((("param", "=", "subject"), ("scope", "=", "Patient")), (("param", "=", "patient:identifier"),)),
)
CODE, SUBJECT = carrying("code", ("urn:l", "a")), referring("subject", "Patient", "p1")
CASES: dict[str, tuple[list[Criterion], str]] = {
    "nothing": ([], "type=?"),
    "ids": ([carrying("_id", (None, "a"), (None, "b"))], "type=? AND id=?"),
    "identifier": ([carrying("identifier", ("urn:s", "1"))], "value=? AND system=?"),
    "code": ([CODE], "text=? AND low=?"),
    "a code of any system": ([carrying("code", (None, "a"))], "text=? AND low=?"),
    "two codes": ([carrying("code", ("urn:l", "a"), ("urn:l", "b"))], "text=? AND low=?"),
    "time": ([DAY], "text=? AND low>? AND low<?"),
    "time of writing": ([WITHIN], "updated>? AND updated<?"),
    "name": ([NAMED], "text>? AND text<?"),
    "subject and code": ([SUBJECT, CODE], "text=? AND low=?"),
    "any of one type": ([ONLY], "field=?"),
    "none of one type": ([SUBJECT, ONLY._replace(none=True)], "text=? AND low=?"),
    "chain": ([Chained(("subject",), (("Patient", NAMED),))], "text=? AND low=?"),
    "chain of two": (
        [Chained(("part-of",), (("Procedure", Chained(("subject",), (("Patient", NAMED),))),))],
        "text=? AND low=?",
    ),
    "had": ([Had("Provenance", ("target",), CODE)], "type=? AND id=?"),
    "chain to what has none": ([Chained(("subject",), (("Patient", NAMED._replace(none=True)),))], "text=? AND low=?"),
    "none": ([NAMED._replace(none=True)], "type=?"),
}
ORDERS = {
    "by writing": (),
    "by time": (Order(("date",), "low", down=True, texts=("", "long")),),
    "by the time of writing": (Order(("_lastUpdated",), "low", texts=("",)),),
    "by two": (Order(("status",), "text"), Order(("_lastUpdated",), "low", down=True)),
}


@pytest.fixture
def filled(store: Store) -> Store:
    write(
        store,
        *[put(f"o{n}", tokens=(("code", "urn:l", "a"),), references=(("subject", "Patient", "p1"),)) for n in (1, 2)],
    )
    return store


@pytest.mark.parametrize("order", list(ORDERS))
@pytest.mark.parametrize("name", list(CASES))
def test_no_search_reads_a_whole_table(filled: Store, backend: str, name: str, order: str) -> None:
    criteria, driven = CASES[name]
    names: Values = {}
    forms = tuple(form(one, names) for one in criteria)
    sample = sampled("Observation", forms)
    search = planned("Observation", forms, [0] * len(criteria) if sample is not None else [])
    orders = ORDERS[order]
    values: dict[str, object] = {"count": 3, "rid": 7, **{name: value for value, name in names.items()}}
    values |= {f"key{n}": "x" if one.column == "text" else 1.0 for n, one in enumerate(orders)}
    statements = [paged(search, orders, tuple(True for _ in orders)), paged(search, orders, None), total(search)]
    broad = planned("Observation", forms, [FEW] * len([one for one in criteria if not getattr(one, "none", False)]))
    if walks(broad, orders):
        statements += [walked(broad, orders[0], behind=True), walked(broad, orders[0], behind=False)]
    for statement in statements if sample is None else [*statements, sample]:
        plan = filled.read(partial(explained, statement=statement, values=values))
        if backend == "postgresql":
            assert not [line for line in plan if "Seq Scan" in line], plan
        else:
            scanned = {line.split()[1] for line in plan if line.startswith("SCAN")}
            assert scanned <= {"CONSTANT", *[line.split()[1] for line in plan if MADE.match(line)]}, plan
    if backend == "sqlite":
        plan = filled.read(partial(explained, statement=Filled(partial(matching, search)), values=values))
        assert any("driver" in line and driven in line for line in plan), plan


def explained(reader: Reader, statement: Filled, values: dict[str, object]) -> list[str]:
    """Return the lines of the plan of a statement."""
    asked, parameters = statement.of(reader._dialect, values)
    explain = "EXPLAIN QUERY PLAN"
    if reader._dialect.name == "postgresql":
        explain = "EXPLAIN (COSTS OFF)"
        reader._connection.execute(text("SET LOCAL enable_seqscan = off"))
    reader._cursor.execute(f"{explain} {asked}", parameters)
    return [str(row[-1]).strip() for row in reader._cursor.fetchall()]
