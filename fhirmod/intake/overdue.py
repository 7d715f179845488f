"""Telling what has become overdue: each window that a Task asks for, once, when it ends unmet.

::

    a write that asks for a new window --> job of the episode, due when that window ends (or earlier already)
    the job, at its time               --> tells what is overdue and was not told, waits for the next end

No resource says overdue. The job is only when to look: it may come too early, never too late, so a write that moves a
window on need not touch what waits for the old one; whatever stands when it comes is what counts.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import NamedTuple

from fhirmod.r4 import dump
from fhirmod.store import JobRow, OutboxRow, Writer

from .request import Request
from .snapshot import Snapshot

OVERDUE = "overdue"  # the kind of the job, and the topic of what is told
_NEXT_MOMENT = timedelta(milliseconds=1)


class Window(NamedTuple):
    """Until when a Task asks for something."""

    task: str
    start: str
    end: str

    @property
    def overdue_from(self) -> datetime:
        """Return the first moment after its end, on a clock of milliseconds."""
        return datetime.fromisoformat(self.end) + _NEXT_MOMENT


def windows(snapshot: Snapshot) -> Iterator[Window]:
    """Return what is asked for: by the Tasks that are neither met nor cancelled."""
    for reference, image in snapshot.assembled.items():
        body = image.body
        if image.type == "Task" and body is not None and body["status"] == "requested":
            period = body["restriction"]["period"]
            yield Window(reference, period["start"], period["end"])


def looks(before: Snapshot | None, after: Snapshot) -> list[JobRow]:
    """Return the job that looks at an episode when the first window ends that a write newly asks for; or none."""
    asked = set(windows(after)) - set(() if before is None else windows(before))
    return [JobRow(OVERDUE, after.row.id, min(one.overdue_from for one in asked))] if asked else []


def tell_overdue(writer: Writer, request: Request, snapshot: Snapshot) -> datetime | None:
    """Return when to look again, if anything else is asked for; what is overdue by now was told, each window once.

    Shape: a row of the outbox with the episode as its subject: the Task, its window, and whether it is a drill.
    """
    later = []
    for window in sorted(windows(snapshot), key=lambda one: (one.overdue_from, one)):
        if window.overdue_from > request.now:
            later.append(window.overdue_from)
            continue
        said = {"task": window.task, "due": window.start, "overdue_since": window.end, "drill": snapshot.row.drill}
        row = OutboxRow(OVERDUE, snapshot.row.id, dump(said), request.received.text)
        writer.tell_once(request.access, f"{OVERDUE} {window.task} {window.end}", row)
    return min(later, default=None)
