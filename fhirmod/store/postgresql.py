"""PostgreSQL's two engines (psycopg 3): a pool that writes, a pool that reads, and what is told to each connection."""

from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL

from fhirmod.errors import NotSupportedError

OLDEST = 13_00_00  # hashtextextended, and unnest of several lists side by side
CONNECTIONS = 10  # in each of the two pools of a process; a server takes 100 unless told otherwise
PATIENCE_S = 30  # how long a writer waits for another's lock, and a thread for a connection
FORGOTTEN_S = 300  # after which a transaction that does nothing is ended, so that a frozen worker locks nobody out

# A writer sees, after each wait for a lock, what the one before it committed; a reader sees one moment.
_WRITING = "BEGIN ISOLATION LEVEL READ COMMITTED"
_READING = "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"

# an answered entry survives a power cut: a server told otherwise is overruled, a stricter one is left as it is.
# Every statement is meant to go through an index; while a table is empty a plan would not, and be kept when it is full.
_SAFETY = """
SELECT set_config('lock_timeout', %s, false), set_config('idle_in_transaction_session_timeout', %s, false),
  set_config('enable_seqscan', 'off', false), set_config('jit', 'off', false),
  CASE WHEN current_setting('synchronous_commit') = 'off' THEN set_config('synchronous_commit', 'on', false) END
"""


def engines(url: URL) -> tuple[Engine, Engine]:
    """Return (the engine that writes, the engine that reads).

    Errors: NotSupportedError if the driver is not installed, or the address names no database.
    """
    if not url.database and "dbname" not in url.query:
        raise NotSupportedError(
            f"The store was asked to live at {shown(url)}, which names no database; write postgresql://host/name."
        )
    address = url.set(drivername="postgresql+psycopg")
    try:
        return _engine(address, _WRITING), _engine(address, _READING)
    except ModuleNotFoundError:
        raise NotSupportedError(
            "The store was asked to live in PostgreSQL, whose driver is not installed; install fhirmod[postgres]."
        ) from None


def shown(url: URL) -> str:
    """Return the address as it may be said: without its password."""
    return url.render_as_string(hide_password=True)


def _engine(url: URL, begin: str) -> Engine:
    engine = create_engine(
        url,
        paramstyle="format",
        use_native_hstore=False,
        pool_size=CONNECTIONS,
        max_overflow=0,
        pool_timeout=PATIENCE_S,
        connect_args={
            "autocommit": True,  # the driver begins nothing by itself
            "client_encoding": "utf8",
            "connect_timeout": PATIENCE_S,
            "application_name": "fhirmod",
        },
    )

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: object) -> None:
        connection.prepared_max = 512
        if connection.info.server_version < OLDEST or connection.info.parameter_status("server_encoding") != "UTF8":
            raise NotSupportedError(
                f"The database is of PostgreSQL {connection.info.server_version // 10_000} in the encoding "
                f"{connection.info.parameter_status('server_encoding')}; the store needs one of PostgreSQL "
                f"{OLDEST // 10_000} or newer in UTF8."
            )
        connection.execute(_SAFETY, (f"{PATIENCE_S}s", f"{FORGOTTEN_S}s"))

    @event.listens_for(engine, "begin")
    def _begun(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    return engine
