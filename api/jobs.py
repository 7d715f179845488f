"""The thread that works off the store's jobs beside the service: which handlers there are, and when it looks."""

import logging
import os
import socket
import threading
from datetime import timedelta
from types import TracebackType
from typing import Self

from fhirmod.intake import OVERDUE, Handler, Intake, Request, overdue, work_one
from fhirmod.store import Access

from .clock import Clock
from .settings import Settings

LOG = logging.getLogger(__name__)
_TAKEN_S = 0.1  # when another is just taking what is due


def handlers(intake: Intake) -> dict[str, Handler]:
    """Return what does each kind of job: a new kind is a new row."""
    return {OVERDUE: overdue(intake)}


class Runner:
    """A thread that takes jobs as they become due, from when the block is entered until it is left.

    Shape: it looks every `look_for_jobs_s`, and exactly when the next job it knows of is due. Any number of runners
           share a database: a job is its holder's alone, and another's once the lease has ended.
    """

    def __init__(self, settings: Settings, intake: Intake, clock: Clock) -> None:
        self._settings = settings
        self._store = intake.store
        self._handlers = handlers(intake)
        self._clock = clock
        self._name = f"{socket.gethostname()}/{os.getpid()}"
        self._told_to_stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Return once the job that is being done has its end."""
        self._told_to_stop.set()
        self._thread.join()

    def _run(self) -> None:
        while not self._told_to_stop.is_set():
            try:
                pause = self._pause()
                if pause <= 0:
                    pause = 0 if self._work_one() else _TAKEN_S
            except Exception as error:  # noqa: BLE001 - the database will be back, and this thread must be there then
                LOG.warning("The jobs could not be looked at (%s); it is tried again.", type(error).__name__)
                pause = self._settings.look_for_jobs_s
            self._told_to_stop.wait(pause)

    def _pause(self) -> float:
        """Return for how many seconds there is nothing to do, as far as can be told."""
        access, every = self._request().access, self._settings.look_for_jobs_s
        due = self._store.read(lambda reader: reader.next_job_at(access, list(self._handlers)))
        return every if due is None else min(every, (due - self._clock.now()).total_seconds())

    def _work_one(self) -> bool:
        holder = f"{self._name}/{self._clock.new_id()}"
        lasts = timedelta(seconds=self._settings.lease_s)
        return work_one(self._store, self._handlers, self._request, holder=holder, lasts=lasts)

    def _request(self) -> Request:
        return Request(Access.whole("jobs"), self._clock.now(), self._clock.new_id)
