"""The thread that moves committed pages from the write-ahead log into the database file.

Inside a request a checkpoint is the whole tail of the waiting time. PASSIVE never stands in a writer's way,
but while commits keep coming it never reaches the end of the log either, and the log would grow without
end: past `LONG` pages the writer is asked to restart it between two of its batches, when little is left to
move.
"""

import threading

from sqlalchemy import Engine

PAUSE_S = 0.25
LONG = 8192  # pages, 32 MiB
RESTART_PATIENCE_MS = 50  # for readers that still look at the old log


class Checkpoints:
    """A thread that checkpoints after commits; `restart_due` says that the log is long."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._work = threading.Event()
        self._stop = threading.Event()
        self.restart_due = False
        self._thread = threading.Thread(target=self._run, name="store-checkpoints", daemon=True)
        self._thread.start()

    def committed(self) -> None:
        """Return nothing; there is something to move."""
        self._work.set()

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
                cursor.execute("PRAGMA wal_checkpoint(PASSIVE)")
                row = cursor.fetchone()
                self.restart_due = row is not None and row[1] > LONG
                self._stop.wait(PAUSE_S)
