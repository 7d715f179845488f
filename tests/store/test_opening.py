"""Opening: an empty file, a file of ours, a file of newer software; the tables are those of the revisions."""

import re
import sqlite3
import threading
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine, inspect

from fhirmod.errors import NotSupportedError
from fhirmod.store import HeldRow, Store, open_store
from fhirmod.store.migrate import HEAD, PLACE, to_nothing
from fhirmod.store.tables import METADATA

from .rows import ALL, NOW, opened, put, write


@pytest.fixture
def empty_url(request: pytest.FixtureRequest, backend: str) -> str:
    return str(request.getfixturevalue({"sqlite": "sqlite_url", "postgresql": "empty_postgresql_url"}[backend]))


def test_an_empty_file_gets_every_table(sqlite_store: Store, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "record.db") as raw:
        names = {row[0] for row in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert names >= METADATA.tables.keys()
        assert raw.execute("SELECT version_num FROM alembic_version").fetchall() == [(HEAD,)]
    raw.close()


def test_the_model_and_the_revisions_agree(store: Store) -> None:
    """alembic.autogenerate.compare_metadata is the outside judge."""
    assert differing(store._reading) == []


def differing(engine: Engine) -> list[Any]:
    """Return where the tables differ from the model; an index that only PostgreSQL has counts there alone."""

    def counts(_item: Any, name: str | None, kind: str, _reflected: bool, _other: Any) -> bool:
        return engine.dialect.name == "postgresql" or (kind, name) != ("index", "ix_search_value_of")

    with engine.connect() as connection:
        opts = {"include_object": counts}
        return list(compare_metadata(MigrationContext.configure(connection, opts=opts), METADATA))


def test_the_model_and_the_revisions_write_the_same_sql(sqlite_store: Store, tmp_path: Path) -> None:
    """What compare_metadata does not look at (WITHOUT ROWID, partial indexes, order of columns) agrees too."""
    engine = create_engine(f"sqlite:///{tmp_path / 'model.db'}")
    METADATA.create_all(engine)
    engine.dispose()

    def schema(name: str) -> dict[str, str]:
        raw = sqlite3.connect(tmp_path / name)
        rows = raw.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
        raw.close()
        return {name: re.sub(r"\s+", " ", sql.replace('"', "")) for name, sql in rows if name != "alembic_version"}

    assert schema("record.db") == schema("model.db")


def test_tables_without_row_ids_keep_their_columns_in_the_order_of_the_key() -> None:
    """SQLite 3.40.0 to 3.41.0 reports false NULLs for others in `PRAGMA integrity_check`."""
    for table in METADATA.tables.values():
        if table.dialect_options["sqlite"]["with_rowid"] is False:
            key = list(table.primary_key.columns)
            assert list(table.columns)[: len(key)] == key, table.name


def test_the_newest_revision_is_the_one_the_code_names() -> None:
    assert ScriptDirectory(str(PLACE)).get_current_head() == HEAD


def test_what_an_earlier_revision_made_is_brought_up_with_what_it_holds(empty_url: str) -> None:
    url = empty_url
    engine = create_engine(url)
    with engine.begin() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(PLACE))
        command.upgrade(config, "0001")
        connection.exec_driver_sql(
            "INSERT INTO episode VALUES (1, 'e1', 3, 'Procedure', 'a1', '2026-03-01T02:00:00Z', 'clinic-7', 'open', false, '', '', 's')"
        )
    engine.dispose()
    with open_store(url) as store:
        found = store.read(lambda r: r.episode(ALL, "e1"))
        assert found is not None
        assert (found.version, found.facility, found.kept_for) == (3, "clinic-7", "")


@pytest.mark.parametrize("holding", [True, False])
def test_an_index_of_an_earlier_revision_is_to_be_made_anew_where_there_is_something(
    empty_url: str, holding: bool
) -> None:
    engine = create_engine(empty_url)
    with engine.begin() as connection:
        config = Config(attributes={"connection": connection})
        config.set_main_option("script_location", str(PLACE))
        command.upgrade(config, "0006")
        if holding:
            connection.exec_driver_sql("INSERT INTO resource VALUES (1, 'Observation', 'o', 1, false, 0)")
            connection.exec_driver_sql("INSERT INTO search_value VALUES (1, 'code', 'c', 'urn:s', 0, 0, 'Observation')")
    engine.dispose()
    with open_store(empty_url) as store:
        assert store.read(lambda r: r.upkeep(ALL)) == (["index"] if holding else [])
        store.write(lambda w: w.keep_up(ALL, "index"))
        assert store.read(lambda r: r.upkeep(ALL)) == []


def test_the_revisions_go_down_to_nothing_and_up_again(empty_url: str) -> None:
    """alembic.autogenerate.compare_metadata is the outside judge that everything is there again."""
    with open_store(empty_url) as store:
        write(store, put(body=b"gone"))
    engine = create_engine(empty_url)
    to_nothing(engine)
    left = inspect(engine)
    assert left.get_table_names() == ["alembic_version"]
    if engine.dialect.name == "postgresql":
        assert left.get_sequence_names() == []
    engine.dispose()
    with open_store(empty_url) as store:
        assert store.read(lambda r: r.get(ALL, "Observation", "o1")) is None
        assert write(store, put()) == [1]
        assert differing(store._reading) == []


def test_text_in_postgresql_is_ordered_by_its_bytes(postgresql_url: str) -> None:
    """As in SQLite (https://sqlite.org/datatype3.html#collating_sequences, BINARY), whatever the database's locale."""
    words = ["a", "B", "Z", "b", "\u00e4", "\U0001f3e5", "\uffee", "-", "_", "1"]
    engine = create_engine(postgresql_url)
    with engine.connect() as connection:
        rows = connection.exec_driver_sql(
            "SELECT table_name, column_name, collation_name FROM information_schema.columns"
            " WHERE table_schema = 'public' AND data_type = 'text'"
        ).all()
        assert {row[2] for row in rows} == {"C"}
        assert {row[0] for row in rows} == METADATA.tables.keys()
        local = connection.exec_driver_sql("SELECT unnest(%s::text[]) AS w ORDER BY w", (words,)).scalars().all()
        assert local != sorted(words), "the database would order by bytes anyway: this test shows nothing"
    engine.dispose()
    with open_store(postgresql_url) as store:
        opened(store)
        held = [HeldRow("e1", word, "repair", None, None, b"", "", NOW) for word in words]
        store.write(lambda w: w.hold(ALL, held))
        assert [row.key for row in store.read(lambda r: r.held(ALL, "e1"))] == sorted(words, key=str.encode)


def test_opening_again_changes_nothing(url: str) -> None:
    with open_store(url) as store:
        write(store, put(body=b"kept"))
    with open_store(url) as store:
        found = store.read(lambda r: r.get(ALL, "Observation", "o1"))
        assert found is not None
        assert found.body == b"kept"


def test_a_database_of_newer_software_is_refused_in_one_sentence(sqlite_url: str, tmp_path: Path) -> None:
    open_store(sqlite_url).close()
    raw = sqlite3.connect(tmp_path / "record.db")
    raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.commit()
    before = raw.execute("SELECT sql FROM sqlite_master").fetchall()
    raw.close()
    with pytest.raises(NotSupportedError, match=r"of revision '9999', which this software does not know .*newer"):
        open_store(sqlite_url)
    raw = sqlite3.connect(tmp_path / "record.db")
    assert raw.execute("SELECT sql FROM sqlite_master").fetchall() == before
    raw.close()


@pytest.mark.parametrize(
    ("address", "sentence"),
    [
        ("sqlite://", "which is memory; name a file"),
        ("sqlite:///:memory:", "which is memory; name a file"),
        ("mysql://db/record", "asked to live in mysql; it lives in SQLite"),
        ("postgresql://k:secret@db", "asked to live at postgresql://k:[*]{3}@db, which names no database"),
        ("record.db", "address was 'record.db'; write it as sqlite:///record.db or postgresql://"),
    ],
)
def test_other_addresses_are_refused_in_one_sentence(address: str, sentence: str) -> None:
    with pytest.raises(NotSupportedError, match=sentence):
        open_store(address)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    missing = tmp_path / "none"
    with pytest.raises(NotSupportedError, match=re.escape(f"folder {str(missing)!r}, which is not there")):
        open_store(f"sqlite:///{missing / 'record.db'}")


def test_what_is_not_ours_is_refused_in_one_sentence_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.db"
    text.write_bytes(b"no database at all " * 100)
    with pytest.raises(NotSupportedError, match=r"could not be opened as a store \(file is not a database\)"):
        open_store(f"sqlite:///{text}")
    assert text.read_bytes() == b"no database at all " * 100
    with pytest.raises(NotSupportedError, match=r"could not be opened as a store \(unable to open database file\)"):
        open_store(f"sqlite:///{tmp_path}")
    raw = sqlite3.connect(tmp_path / "other.db")
    raw.execute("CREATE TABLE stock (item TEXT)")
    raw.close()
    with pytest.raises(NotSupportedError, match="has the table 'stock' and no revision of ours"):
        open_store(f"sqlite:///{tmp_path / 'other.db'}")


def test_two_may_open_an_empty_file_at_once(url: str) -> None:
    stores: list[Store] = []
    threads = [threading.Thread(target=lambda: stores.append(open_store(url))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(stores) == 4
    for number, store in enumerate(stores):
        assert write(store, put("o1")) == [number + 1]
        store.close()


def test_the_files_say_how_safe_they_are(sqlite_store: Store) -> None:
    """WAL and synchronous FULL (2): a commit is on disk when it is answered (https://sqlite.org/pragma.html)."""
    for engine in (sqlite_store._reading, sqlite_store._lane._engine):
        with engine.connect() as connection:
            asked = [
                connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                for name in ("journal_mode", "synchronous", "wal_autocheckpoint", "busy_timeout")
            ]
            assert asked == ["wal", 2, 0, 30000]


def test_a_reader_cannot_write(sqlite_store: Store) -> None:
    with pytest.raises(sqlite3.OperationalError, match="readonly"):
        sqlite_store.read(lambda r: r._cursor.execute("DELETE FROM resource"))
