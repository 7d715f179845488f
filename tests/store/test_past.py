"""Pages of the past: whichever way the store goes through its versions, the answer is the same."""

from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.store import Past, Store, Version, reader

from .rows import ALL, gone, put


def filled(store: Store, writes: list[tuple[str, str, bool, int]]) -> list[Version]:
    """Return everything written, newest first: (type, id, deleted, seconds after ten) each in a work of its own."""
    for type_, id_, deleted, second in writes:
        try:
            one = gone(id_, type_) if deleted else put(id_, b"{}", type_)
            updated = f"2026-03-01T10:00:{second // 2:02}{'.500' if second % 2 else ''}Z"
            store.write(lambda w, one=one, updated=updated: w.put(ALL, [one], updated))  # type: ignore[misc]
        except Exception as error:
            if "to delete" not in str(error):
                raise
    return walked(store, Past(), 1000)


def walked(store: Store, asked: Past, count: int) -> list[Version]:
    found: list[Version] = []
    before: int | None = None
    while True:
        further = asked._replace(before=before)
        page, before = store.read(lambda r, further=further: r.past(ALL, further, count))  # type: ignore[misc]
        found += page
        assert len(page) <= count
        if before is None:
            return found


WRITES = st.lists(
    st.tuples(st.sampled_from(("Patient", "Observation")), st.sampled_from("ab"), st.booleans(), st.integers(0, 1)),
    max_size=12,
)


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(writes=WRITES, count=st.integers(1, 5))
def test_pages_of_each_kind_are_what_a_filter_over_everything_gives(
    tmp_path_factory: pytest.TempPathFactory, writes: list[tuple[str, str, bool, int]], count: int
) -> None:
    from fhirmod.store import open_store

    later = [(type_, id_, deleted, number * 2 + half) for number, (type_, id_, deleted, half) in enumerate(writes)]
    with open_store(f"sqlite:///{tmp_path_factory.mktemp('past')}/record.db") as store:
        everything = filled(store, later)
        assert [one.updated for one in everything] == sorted((one.updated for one in everything), key=_time)[::-1]
        for type_ in ("Patient", "Observation", "Basic"):
            wanted = [one for one in everything if one.type == type_]
            for few in (0, 2_000):
                with pytest.MonkeyPatch.context() as patch:
                    patch.setattr(reader, "FEW", few)
                    assert walked(store, Past(type_), count) == wanted
            of_a = [one for one in wanted if one.id == "a"]
            assert walked(store, Past(type_, "a"), count) == of_a
            assert store.read(lambda r, type_=type_: r.versions(ALL, type_, "a")) == len(of_a)  # type: ignore[misc]
        for text in ("2026-03-01T10:00:01Z", "2026-03-01T10:00:01.500Z", "2026-03-01T10:00:02.500Z"):
            since = [one for one in everything if _time(one.updated) >= _time(text)]
            assert walked(store, Past(since=text), count) == since
            current = [one for one in everything if _stands(one, everything, _time(text))]
            period = (text, f"{_time(text) + 0.001:.3f}")
            assert walked(store, Past(at=(text, f"2026-03-01T10:00:{float(period[1]):06.3f}Z")), count) == current


def _time(text: str) -> float:
    return float(text.rpartition(":")[2].rstrip("Z"))


def _stands(one: Version, everything: list[Version], at: float) -> bool:
    own = sorted((each for each in everything if (each.type, each.id) == (one.type, one.id)), key=lambda v: v.version)
    following = next((later for each, later in pairwise(own) if each is one), None)
    return _time(one.updated) <= at and (following is None or _time(following.updated) > at)


def test_a_common_types_history_is_met_on_the_way_back_and_stops_after_a_page(store: Store) -> None:
    """EXPLAIN QUERY PLAN sorts nothing (https://sqlite.org/eqp.html): a page costs a page, not a table."""
    if store.read(lambda r: r._dialect.name) != "sqlite":
        pytest.skip("the plan is SQLite's")
    from sqlalchemy import text

    from fhirmod.store.past import changes

    def plan(asked: Past, *, rare: bool) -> list[str]:
        def work(r: reader.Reader) -> list[str]:
            statement = changes(asked, 5, rare=rare).compile(dialect=r._dialect, compile_kwargs={"literal_binds": True})
            explained = f"EXPLAIN QUERY PLAN {statement}".replace(":", r"\:")
            return [row[3] for row in r._connection.execute(text(explained))]

        return store.read(work)

    for asked in (Past(), Past("Observation"), Past("Observation", since="2026-03-01T00:00:00Z", before=9)):
        assert not any("TEMP B-TREE" in line for line in plan(asked, rare=False))
    for asked, rare in ((Past("Observation"), True), (Past("Observation", "a"), False)):
        assert not any(line.startswith("SCAN") for line in plan(asked, rare=rare))
