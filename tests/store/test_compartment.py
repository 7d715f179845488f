"""What a compartment gathers is found through indexes, however large the tables.

Source: https://sqlite.org/eqp.html (SEARCH); https://www.postgresql.org/docs/15/using-explain.html (Index Scan, where
reading the whole table is made dear).
"""

from typing import Any

from sqlalchemy import text

from fhirmod.store import Put, Store
from fhirmod.store.compartment import gathered

from .rows import ALL

PAIRS = [("Observation", "subject"), ("Observation", "performer"), ("Device", "patient")]


def put(type_: str, id_: str, *rows: tuple[str, str, str]) -> Put:
    values = tuple((param, text_, scope, 0.0, 0.0) for param, text_, scope in rows)
    return Put(type_, id_, "asserted", "PUT", b'{"id":"%b"}' % id_.encode(), values=values)


def test_each_comes_once_in_the_order_of_writing_with_what_tells_of_it(store: Store) -> None:
    store.write(
        lambda w: w.put(
            ALL,
            [
                put("Provenance", "early", ("target", "o1", "Observation")),
                put("Patient", "p1"),
                put("Observation", "o1", ("subject", "p1", "Patient"), ("performer", "p1", "Patient")),
                put("Observation", "o2", ("subject", "p1", "Group")),
                put("Observation", "o3", ("code", "p1", "Patient")),
                put("Device", "d1", ("patient", "p2", "Patient")),
                put("Device", "p1"),
                put("Provenance", "late", ("target", "d1", "Device"), ("target", "p1", "Patient")),
                put("Provenance", "other", ("target", "o2", "Observation"), ("agent", "p1", "Patient")),
            ],
            "2026-03-01T02:00:00Z",
        )
    )
    found = store.read(lambda r: r.compartment(ALL, PAIRS, "Patient", ["p1", "p2"]))
    assert [one.id for _, one in found] == ["early", "p1", "o1", "d1", "late"]
    assert [lead for lead, _ in found] == sorted({lead for lead, _ in found})
    store.write(lambda w: w.put(ALL, [Put("Observation", "o1", "asserted", "DELETE", None)], "2026-03-01T02:00:01Z"))
    found = store.read(lambda r: r.compartment(ALL, PAIRS, "Patient", ["p1", "p2"]))
    assert [one.id for _, one in found] == ["p1", "d1", "late"]


def test_no_table_is_read_whole(store: Store) -> None:
    def plan(reader: Any) -> list[str]:
        statement = gathered(PAIRS, "Patient", ["p1", "p2"]).compile(
            dialect=reader._dialect, compile_kwargs={"literal_binds": True, "render_postcompile": True}
        )
        if reader._dialect.name == "postgresql":
            reader._connection.execute(text("SET LOCAL enable_seqscan = off"))
            rows = reader._connection.execute(text(f"EXPLAIN (COSTS OFF) {statement}")).all()
            return [row[0] for row in rows if "Seq Scan" in row[0]]
        rows = reader._connection.execute(text(f"EXPLAIN QUERY PLAN {statement}")).all()
        assert any("ix_search_value_found (field=? AND text=?" in row[3] for row in rows)
        return [
            row[3] for row in rows if row[3].split()[:2][-1] not in ("hit", "every", "by", "3") and "SCAN" in row[3]
        ]

    assert store.read(plan) == []
