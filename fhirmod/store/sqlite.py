"""SQLite's two engines: one connection that writes, a pool that reads, and the pragmas of both."""

import sqlite3
import time
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL

from fhirmod.errors import NotSupportedError

OLDEST = (3, 35, 0)  # UPDATE ... RETURNING
WRITER_KIB = 16_000  # pages the one writer keeps: fewer, and a batch is written twice and read anew
PATIENCE_S = 30  # how long a writer waits for a writer of another process

_BOTH = (
    f"busy_timeout={PATIENCE_S * 1000}",
    "synchronous=FULL",  # an answered entry survives a power cut
    "fullfsync=ON",  # the same on macOS, where fsync alone does not reach the disk; elsewhere without effect
    "wal_autocheckpoint=0",  # checkpoints have their own thread
    "temp_store=MEMORY",
)

_READING = "BEGIN"


def engines(url: URL) -> tuple[Engine, Engine]:
    """Return (the engine that writes, the engine that reads).

    Errors: NotSupportedError if the database is not a file, or this Python's SQLite is too old.
    """
    if not url.database or url.database == ":memory:":
        raise NotSupportedError(
            f"The store was asked to live at {url.render_as_string()!r}, which is memory; name a file: sqlite:///record.db"
        )
    folder = Path(url.database).absolute().parent
    if not folder.is_dir():
        raise NotSupportedError(
            f"The store was asked to live in the folder {str(folder)!r}, which is not there; make it first."
        )
    if sqlite3.sqlite_version_info < OLDEST:
        raise NotSupportedError(
            f"This Python carries SQLite {sqlite3.sqlite_version}; the store needs "
            f"{'.'.join(map(str, OLDEST))} or newer."
        )
    return _engine(url, "BEGIN IMMEDIATE", *_BOTH, f"cache_size=-{WRITER_KIB}"), _engine(
        url, _READING, *_BOTH, "query_only=ON"
    )


def _log_ahead(connection: sqlite3.Connection) -> None:
    """Return nothing; the file keeps a write-ahead log.

    The first program to open a file switches it, and SQLite does not wait here for another that is at it.
    """
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            mode = connection.execute("PRAGMA journal_mode=WAL").fetchone()[0]
        except sqlite3.OperationalError as error:
            busy = error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_BUSY
            if not busy or time.monotonic() > until:
                raise
            time.sleep(0.01)
        else:
            break
    if mode != "wal":
        raise NotSupportedError(
            f"The file system keeps SQLite to the journal mode {mode!r}; the store needs one with shared memory for "
            "a write-ahead log, such as a local disk."
        )


def _engine(url: URL, begin: str, *pragmas: str) -> Engine:
    engine = create_engine(
        url, pool_size=8, max_overflow=56, connect_args={"timeout": PATIENCE_S, "cached_statements": 256}
    )

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: object) -> None:
        connection.isolation_level = None  # the driver begins nothing by itself
        _log_ahead(connection)
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begun(connection: Any) -> None:
        if begin == _READING:
            connection.connection.driver_connection.execute(begin)  # nothing is waited for, so nothing can fail
        else:
            connection.exec_driver_sql(begin)

    return engine
