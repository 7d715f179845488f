"""Writing to PostgreSQL: every work has a transaction and a connection of its own, and the database queues them.

::

    write(work) -- BEGIN -- lock the episode's row -- ... -- COMMIT     several at once, in several processes
                     ^------- undone and run again: deadlock, overtaken, found by two at once -------'

Works of one episode wait for each other at its row; those of others do not. What two works create at once is
caught by the unique keys: the second is undone and runs again, now finding what the first wrote.
"""

import random
import threading
import time
from collections.abc import Callable
from typing import Any, TypeVar

from sqlalchemy import Engine
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as NoConnectionError

from fhirmod.errors import ConflictError, FhirmodError, UnavailableError

from .lane import Tally
from .reader import Reader
from .writer import OvertakenError, Writer

T = TypeVar("T")
TRIES = 10  # of one work, however it was hindered
TWINS = 3  # of these: the tries that may meet a key that is taken; if it is taken by its own doing, that is all
PAUSE_S = 0.004  # before the second try, and twice as long before each further one

_UNDONE = frozenset({"40001", "40P01"})  # serialisation failure, deadlock
_TAKEN = "23505"  # unique violation
_WAITED = "55P03"  # lock not available in time
_AWAY = frozenset({None, "08", "53", "57"})  # no server there, connection lost, too many, starting or stopping


class Lanes:
    """Transactions of many threads at once, each with a connection from the pool."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._inside = threading.local()
        self._door = threading.Condition()
        self._open = True
        self._working = 0
        self.tally = Tally()

    def write(self, work: Callable[[Writer], T]) -> T:
        """Return what `work` returned, once it is durable.

        Errors: what `work` raised; UnavailableError if the database does not answer or others are always first;
                RuntimeError after `close`, or from inside another work.
        """
        if getattr(self._inside, "working", False):
            raise RuntimeError("A work asked for another write and would wait for itself; use the Writer it was given.")
        with self._door:
            if not self._open:
                raise RuntimeError("The store is closed; open it again to write.")
            self._working += 1
        self._inside.working = True
        try:
            return again_and_again(lambda: self._once(work), self._replayed)
        finally:
            self._inside.working = False
            with self._door:
                self._working -= 1
                self._door.notify_all()

    def close(self) -> None:
        """Return once every work is answered and the connections are closed."""
        with self._door:
            self._open = False
            self._door.wait_for(lambda: self._working == 0)
        self._engine.dispose()

    def _once(self, work: Callable[[Writer], T]) -> T:
        with self._engine.connect() as connection:
            transaction = connection.begin()
            writer = Writer(connection)
            try:
                answer = work(writer)
                writer.finish()
            except BaseException as error:
                _leave(connection, transaction, error)
                raise
            finally:
                with self._door:
                    self.tally.statements += writer.statements
                    self.tally.batches += 1
            try:
                transaction.commit()
            except Exception as error:
                if _is_lost(connection):
                    connection.invalidate()
                    raise UnavailableError(
                        "The connection to the database was lost while it stored this, so it may be stored or not; "
                        "look, or send it again under the same ids."
                    ) from error
                raise
        with self._door:
            self.tally.commits += 1
        return answer

    def _replayed(self) -> None:
        with self._door:
            self.tally.replays += 1


def read(engine: Engine, work: Callable[[Reader], T], told: Callable[[int], None]) -> T:
    """Return what `work` returned, all of one moment; `told` gets the number of statements.

    Errors: what `work` raised; UnavailableError if the database does not answer.
    """

    def once() -> T:
        with engine.connect() as connection:
            transaction = connection.begin()
            reader = Reader(connection)
            try:
                answer = work(reader)
                reader.finish()
            except BaseException as error:
                _leave(connection, transaction, error)
                raise
            finally:
                told(reader.statements)
            transaction.rollback()
            return answer

    return again_and_again(once, lambda: None) if engine.dialect.name == "postgresql" else once()


def again_and_again(run: Callable[[], T], told: Callable[[], None]) -> T:
    """Return what `run` returns, run again where the database undid it for the sake of others."""
    twins = 0
    for turn in range(TRIES):
        try:
            return run()
        except Exception as error:
            why = _hindrance(error)
            twins += why == "twin"
            if why is None or twins == TWINS:
                raise
            if turn == TRIES - 1:
                raise UnavailableError(
                    f"The database could not do this in {TRIES} tries ({why}); send it again in a moment."
                ) from error
        told()
        time.sleep(PAUSE_S * 2 ** min(turn, 8) * random.uniform(0.5, 1.5))  # noqa: S311 - to keep two out of step
    raise AssertionError


class _LostError(Exception):
    """The connection broke before anything was committed."""


def _hindrance(error: BaseException) -> str | None:
    """Return why another try may do better, or None.

    Errors: UnavailableError where waiting is over already.
    """
    if isinstance(error, OvertakenError):
        return "others wrote first"
    if isinstance(error, _LostError):
        return "the connection broke"
    if isinstance(error, NoConnectionError):
        raise UnavailableError("All connections to the database are in use; send this again in a moment.") from error
    if isinstance(error, FhirmodError):
        return "twin" if isinstance(error, ConflictError) and _state(error.__cause__) == _TAKEN else None
    state = _state(error)
    if state == _WAITED:
        raise UnavailableError("Another write holds this episode for too long; send this again.") from error
    if state in _UNDONE:
        return "others wrote first"
    if state == _TAKEN:
        return "twin"
    return "it does not answer" if isinstance(error, OperationalError) and _state_class(state) in _AWAY else None


def _state(error: BaseException | None) -> str | None:
    """Return the SQLSTATE of an error of the driver, bare or wrapped."""
    bare: Any = error.orig if isinstance(error, DBAPIError) else error
    return getattr(bare, "sqlstate", None)


def _state_class(state: str | None) -> str | None:
    return None if state is None else state[:2]


def _is_lost(connection: Any) -> bool:
    if connection.dialect.name != "postgresql":
        return False
    return bool(connection.invalidated or connection.connection.driver_connection.closed)


def _leave(connection: Any, transaction: Any, error: BaseException) -> None:
    """Return nothing; the transaction is undone.

    Errors: _LostError if the connection is broken: then all idle ones are given up with it.
    """
    if _is_lost(connection):
        connection.invalidate()
        connection.engine.dispose()
        raise _LostError from error
    transaction.rollback()
