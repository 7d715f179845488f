"""Bringing a database to the tables of this software; the revisions stand in `migrations/versions`."""

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, inspect, text

from fhirmod.errors import NotSupportedError

HEAD = "0007"
_TURN = 0x66686972  # the advisory lock of programs that open one database at once
PLACE = Path(__file__).parent / "migrations"


def to_head(engine: Engine) -> None:
    """Return nothing; the database has the tables of revision `HEAD`.

    Shape: one transaction under the write lock, so two programs that open an empty file make it once. A
           database that is at `HEAD` already is not touched and Alembic not loaded (a third of the start-up).
    Errors: NotSupportedError if the database is somebody else's, or of a revision this software does not know.
    """
    if _revision(engine) == HEAD:
        return
    with engine.begin() as connection:
        if engine.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _TURN})
        _upgrade(connection)


def to_nothing(engine: Engine) -> None:
    """Return nothing; the tables of every revision are gone, with all that was in them."""
    with engine.begin() as connection:
        from alembic import command  # noqa: PLC0415

        command.downgrade(_config(connection), "base")


def _revision(engine: Engine) -> str | None:
    with engine.connect() as connection:
        return _revision_seen(connection)


def _revision_seen(connection: Connection) -> str | None:
    tables = inspect(connection).get_table_names()
    if "alembic_version" not in tables:
        if tables:
            raise NotSupportedError(
                f"The database has the table {tables[0]!r} and no revision of ours; name one of ours, or a file that "
                "is not there yet."
            )
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _config(connection: Connection) -> Any:
    from alembic.config import Config  # noqa: PLC0415

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(PLACE).replace("%", "%%"))
    return config


def _upgrade(connection: Connection) -> None:
    from alembic import command  # noqa: PLC0415 - loaded only when there is something to do
    from alembic.script import ScriptDirectory  # noqa: PLC0415

    config = _config(connection)
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    found = _revision_seen(connection)
    if found is not None and found not in known:
        raise NotSupportedError(
            f"The database is of revision {found!r}, which this software does not know (it knows up to "
            f"{HEAD!r}); open it with the newer software that made it."
        )
    command.upgrade(config, "head")
