"""The thread that moves committed pages from the write-ahead log into the database file.

Inside a request a checkpoint is the whole tail of the waiting time. PASSIVE never stands in a writer's way,
but while commits keep coming it never reaches the end of the log either, and the log would grow without
end: past `LONG` pages the writer is asked to restart it between two of its batches, when little is left to
move. If a reader still looks at the old log, the next asking waits until the log is twice as long: a long
export costs the writers a few short waits, not one every quarter of a second.
"""

import logging
import threading
from typing import Any

from sqlalchemy import Engine

LOG = logging.getLogger(__name__)
PAUSE_S = 0.25
LONG = 8192  # pages, 32 MiB
RESTART_PATIENCE_MS = 50  # for readers that still look at the old log


class Checkpoints:
    """A thread that checkpoints after commits and says when the log is too long."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._work = threading.Event()
        self._stop = threading.Event()
        self._pages = 0
        self._bound = 0
        self._thread = threading.Thread(target=self._run, name="store-checkpoints", daemon=True)
        self._thread.start()

    @property
    def restart_due(self) -> bool:
        """Return whether the log was too long when last looked at."""
        return self._pages > max(LONG, self._bound)

    def committed(self) -> None:
        """Return nothing; there is something to move."""
        self._work.set()

    def restarted(self, busy: int, pages: int) -> None:
        """Return nothing; the writer did what it could about the log of `pages` (-1: this thread was at it)."""
        if pages >= 0:
            self._bound = 2 * pages if busy else 0
        self._pages = 0

    def close(self) -> None:
        """Return once the thread has ended; the last connection to close moves what is left."""
        self._stop.set()
        self._work.set()
        self._thread.join()

    def _run(self) -> None:
        with self._engine.connect() as connection:
            cursor = connection.connection.cursor()
            while not self._stop.is_set():
                self._work.wait()
                self._work.clear()
                try:
                    self._move(cursor)
                except self._engine.dialect.loaded_dbapi.Error as error:  # a full disk: the log keeps all of it
                    LOG.warning("The store's log could not be moved into its file: %s; it is tried again.", error)
                self._stop.wait(PAUSE_S)

    def _move(self, cursor: Any) -> None:
        cursor.execute("PRAGMA wal_checkpoint(PASSIVE)")
        [(_, self._pages, _)] = cursor.fetchall()
