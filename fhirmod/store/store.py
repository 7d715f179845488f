"""The store: opened once, written through one lane, read from many threads."""

import threading
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Self, TypeVar

from sqlalchemy import Engine
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, DatabaseError

from fhirmod.errors import NotSupportedError

from .checkpoints import Checkpoints
from .lane import Lane
from .migrate import to_head
from .reader import Reader
from .sqlite import engines
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

    def __init__(self, writing: Engine, reading: Engine) -> None:
        self._writing = writing
        self._reading = reading
        self._checkpoints = Checkpoints(writing)
        self._lane = Lane(writing, self._checkpoints)
        self._counting = threading.Lock()
        self._read_statements = 0

    @property
    def counters(self) -> Counters:
        """Return what was done until now."""
        tally = self._lane.tally
        return Counters(tally.statements, tally.commits, tally.batches, tally.replays, self._read_statements)

    def write(self, work: Callable[[Writer], T]) -> T:
        """Return what `work` returned, once what it wrote is on disk.

        Shape: works of several threads share one transaction, so `work` may run **twice**: if another work
               of its batch fails, all is rolled back and each runs again alone. It must depend on nothing but
               the `Writer` it is given and leave nothing behind but what it writes and returns. It runs on
               the writing thread: parse and check before.
        Errors: what `work` raised, in which case it left nothing; RuntimeError if the store is closed.
        """
        return self._lane.write(work)

    def read(self, work: Callable[[Reader], T]) -> T:
        """Return what `work` returned; all that it read is of one moment.

        Errors: what `work` raised.
        """
        with self._reading.connect() as connection, connection.begin():
            reader = Reader(connection)
            try:
                return work(reader)
            finally:
                reader.finish()
                with self._counting:
                    self._read_statements += reader.statements

    def close(self) -> None:
        """Return once all queued works are answered and the files are closed; closing twice is harmless."""
        self._lane.close()
        self._checkpoints.close()
        self._reading.dispose()
        self._writing.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_store(url: str) -> Store:
    """Return the store at `url` ("sqlite:///record.db"), made or brought up to date first.

    Errors: NotSupportedError if it is not SQLite in a file, is somebody else's, or was made by newer
            software than this.
    """
    try:
        address = make_url(url)
    except ArgumentError as error:
        raise NotSupportedError(f"The store's address was {url!r}; write it as sqlite:///record.db.") from error
    if address.get_backend_name() != "sqlite":
        raise NotSupportedError(
            f"The store was asked to live in {address.get_backend_name()}; this version keeps it in SQLite "
            "only: sqlite:///record.db."
        )
    writing, reading = engines(address)
    try:
        to_head(writing)
    except DatabaseError as error:
        writing.dispose()
        raise NotSupportedError(
            f"The file {address.database!r} could not be opened as a store ({error.orig}); name one of ours, or a "
            "file that is not there yet."
        ) from error
    except BaseException:
        writing.dispose()
        raise
    return Store(writing, reading)
