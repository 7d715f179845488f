"""The store: opened once, written through its lane (or lanes), read from many threads."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Self, TypeVar

from sqlalchemy import Engine
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError

from fhirmod.errors import NotSupportedError

from . import postgresql, sqlite
from .lane import Lane
from .lanes import Lanes, read
from .migrate import to_head
from .reader import Reader
from .writer import Writer

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Counters:
    """What was done since the store was opened; exact, so tests may compare them.

    Shape: `statements`, `commits`, `batches` and `replays` (batches taken apart) of writes; `read_statements`
           of reads. An executemany is one statement.
    """

    statements: int
    commits: int
    batches: int
    replays: int
    read_statements: int


class Store:
    """Versioned resources, their index, episodes and accepted entries in one database."""

    def __init__(self, lane: Lane | Lanes, reading: Engine) -> None:
        self._lane = lane
        self._reading = reading
        self._counting = threading.Lock()
        self._read_statements = 0

    @property
    def counters(self) -> Counters:
        """Return what was done until now."""
        tally = self._lane.tally
        return Counters(tally.statements, tally.commits, tally.batches, tally.replays, self._read_statements)

    def write(self, work: Callable[[Writer], T]) -> T:
        """Return what `work` returned, once what it wrote is on disk.

        Shape: `work` may run **twice**. On SQLite works of several threads share one transaction, and if one
               of them fails, all is rolled back and each runs again alone; on PostgreSQL each has its own,
               and one that others overtook runs again. It must depend on nothing but the `Writer` it is given
               and leave nothing behind but what it writes and returns. Parse and check before.
        Errors: what `work` raised, in which case it left nothing; RuntimeError if the store is closed;
                UnavailableError if the database does not answer.
        """
        return self._lane.write(work)

    def read(self, work: Callable[[Reader], T]) -> T:
        """Return what `work` returned; all that it read is of one moment.

        Errors: what `work` raised.
        """
        return read(self._reading, work, self._counted)

    def _counted(self, statements: int) -> None:
        with self._counting:
            self._read_statements += statements

    def close(self) -> None:
        """Return once all queued works are answered and the database is closed; closing twice is harmless."""
        self._lane.close()
        self._reading.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_store(url: str) -> Store:
    """Return the store at `url`, made or brought up to date first.

    Shape:  "sqlite:///record.db", or "postgresql://user@host/name" (what it leaves out, libpq knows: PGPASSWORD,
            a password file, a service).
    Errors: NotSupportedError if it is neither, is somebody else's, or was made by newer software than this.
    """
    try:
        address = make_url(url)
    except ArgumentError as error:
        raise NotSupportedError(
            f"The store's address was {url!r}; write it as sqlite:///record.db or postgresql://user@host/name."
        ) from error
    backend = address.get_backend_name()
    if backend not in _BACKENDS:
        raise NotSupportedError(
            f"The store was asked to live in {backend}; it lives in SQLite (sqlite:///record.db) or PostgreSQL "
            "(postgresql://user@host/name)."
        )
    engines, lane = _BACKENDS[backend]
    writing, reading = engines(address)
    try:
        to_head(writing)
    except DatabaseError as error:
        writing.dispose()
        raise NotSupportedError(_not_opened(address, error)) from error
    except BaseException:
        writing.dispose()
        raise
    return Store(lane(writing), reading)


def _not_opened(address: URL, error: DatabaseError) -> str:
    why = " ".join(str(error.orig).split())
    if address.get_backend_name() == "sqlite":
        return (
            f"The file {address.database!r} could not be opened as a store ({why}); name one of ours, or a "
            "file that is not there yet."
        )
    return (
        f"The database {postgresql.shown(address)} could not be opened as a store ({why}); name one of ours, or an "
        "empty one that this user may make tables in."
    )


_BACKENDS: dict[str, tuple[Callable[[URL], tuple[Engine, Engine]], Callable[[Engine], Lane | Lanes]]] = {
    "sqlite": (sqlite.engines, Lane),
    "postgresql": (postgresql.engines, Lanes),
}
