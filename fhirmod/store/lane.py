"""The one thread that writes to SQLite: works queue up, and all that wait share one commit.

::

    write(work) --queue--> [work, work, work] -- BEGIN IMMEDIATE ... COMMIT --> each gets its own answer

The answer comes after the commit is on disk. Under load each commit carries what queued up during the one
before, so the disk is waited for once per batch and never for company.
"""

import logging
import threading
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from typing import Any, NamedTuple, TypeVar

from sqlalchemy import Engine

from fhirmod.errors import FhirmodError

from .checkpoints import RESTART_PATIENCE_MS, Checkpoints
from .sqlite import PATIENCE_S
from .writer import Writer

T = TypeVar("T")
LOG = logging.getLogger(__name__)
LIMIT = 64  # works in one batch


@dataclass(slots=True)
class Tally:
    """What was written since the store was opened.

    Shape: `replays` are batches that were taken apart, or works that ran again, since their transaction was undone.
    """

    statements: int = 0
    commits: int = 0
    batches: int = 0
    replays: int = 0


class _Job(NamedTuple):
    work: Callable[[Writer], Any]
    done: "Future[Any]"


class Lane:
    """A queue of works and the thread that runs them."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._checkpoints = Checkpoints(engine)
        self._connection = engine.connect()
        self._queue: SimpleQueue[_Job | None] = SimpleQueue()
        self._open = True
        self._door = threading.Lock()
        self.tally = Tally()
        self._thread = threading.Thread(target=self._run, name="store-writer", daemon=True)
        self._thread.start()

    def write(self, work: Callable[[Writer], T]) -> T:
        """Return what `work` returned, once it is durable.

        Errors: what `work` raised; RuntimeError after `close`, or from inside another work.
        """
        if threading.current_thread() is self._thread:
            raise RuntimeError("A work asked for another write and would wait for itself; use the Writer it was given.")
        done: Future[T] = Future()
        with self._door:
            if not self._open:
                raise RuntimeError("The store is closed; open it again to write.")
            self._queue.put(_Job(work, done))
        return done.result()

    def close(self) -> None:
        """Return once everything queued is answered and the connection is closed."""
        with self._door:
            if not self._open:
                return
            self._open = False
            self._queue.put(None)
        self._thread.join()
        self._connection.close()
        self._checkpoints.close()
        self._engine.dispose()

    def _run(self) -> None:
        going = True
        while going:
            jobs, going = self._waiting()
            if jobs:
                self._answer(jobs)
            if self._checkpoints.restart_due:
                try:
                    self._restart_log()
                except self._engine.dialect.loaded_dbapi.Error as error:  # this thread must not end
                    LOG.warning("The store's log could not be restarted: %s; it is tried again.", error)

    def _waiting(self) -> tuple[list[_Job], bool]:
        """Return the works that wait now (at least one, or the end is near), and whether more may come."""
        jobs: list[_Job] = []
        job = self._queue.get()
        while job is not None:
            jobs.append(job)
            if len(jobs) == LIMIT:
                return jobs, True
            try:
                job = self._queue.get_nowait()
            except Empty:
                return jobs, True
        return jobs, False

    def _answer(self, jobs: list[_Job]) -> None:
        """Return nothing; every job has its answer, or the exception that its work raised."""
        self.tally.batches += 1
        begun = False
        try:
            with self._connection.begin():
                begun = True
                outcomes = [self._outcome(job) for job in jobs]
        except BaseException as error:  # noqa: BLE001 - whatever it is belongs to the caller, not to this thread
            if begun and len(jobs) > 1:
                self.tally.replays += 1
                for job in jobs:
                    self._answer([job])
                return
            for job in jobs:
                job.done.set_exception(error)
            return
        self.tally.commits += 1
        self._checkpoints.committed()
        for job, (answer, refusal) in zip(jobs, outcomes, strict=True):
            if refusal is None:
                job.done.set_result(answer)
            else:
                job.done.set_exception(refusal)

    def _outcome(self, job: _Job) -> tuple[Any, FhirmodError | None]:
        """Return what the work returned, or its refusal if it refused before it wrote anything.

        Errors: anything else it raised, which spoils the batch.
        """
        writer = Writer(self._connection)
        try:
            return job.work(writer), None
        except FhirmodError as refusal:
            if writer.wrote:
                raise
            return None, refusal
        finally:
            self.tally.statements += writer.statements
            writer.finish()

    def _restart_log(self) -> None:
        """Return nothing; the write-ahead log begins anew, unless a reader still looks at it."""
        cursor = self._connection.connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout={RESTART_PATIENCE_MS}")
        cursor.execute("PRAGMA wal_checkpoint(RESTART)")
        [(busy, pages, _)] = cursor.fetchall()
        cursor.execute(f"PRAGMA busy_timeout={PATIENCE_S * 1000}")
        cursor.close()
        self._checkpoints.restarted(busy, pages)
