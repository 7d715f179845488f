"""What is still to be done, by whichever worker is first: put, leased for a while, done or failed, at last dead.

::

    put --> waiting --lease--> leased --end--> gone, or waiting for its next time
              ^  ^               |--fail, or nobody was heard of until the lease ended--.
              |  '---------------|---------- waiting, a while later <-------------------|
              '-revive-- dead <--'---------- after the eighth attempt <-----------------'

A lease is the only lock: who holds it writes what the job does and the job's end in one transaction, which fails if
the lease is another's by then. So what a job writes is written once, whoever dies when; what it does outside the
store may be done again. What is done leaves no row. The store knows no kind and reads no clock.
"""

import logging
from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import ColumnElement, and_, bindparam, case, delete, literal_column, null, or_, select, update
from sqlalchemy.dialects import postgresql, sqlite

from .access import Access
from .changing import Changing
from .prepared import Change, Prepared, sized
from .rows import Job, JobRow, ms
from .statements import numbered
from .tables import job

LOG = logging.getLogger(__name__)
MOST_ATTEMPTS = 8
FIRST_PAUSE = timedelta(seconds=30)  # after the first failure, and twice as long after each further one
LONGEST_PAUSE = timedelta(minutes=15)
LEASE_ENDED = "lease-ended"  # the error of a job whose worker was never heard of again
_NEVER = 2**62


class LeaseLostError(Exception):
    """The lease ended and the job is another's: what was written for it is undone."""


def pause_after(attempts: int) -> timedelta:
    """Return how long a job waits after so many attempts that failed.

    >>> [pause_after(attempts).seconds for attempts in range(1, 8)]
    [30, 60, 120, 240, 480, 900, 900]
    """
    pause: timedelta = FIRST_PAUSE * 2 ** (attempts - 1)
    return min(LONGEST_PAUSE, pause)


def tell_given_up(dead: Job) -> None:
    """Return nothing; the log says that nothing more comes of a job, and how that is mended."""
    said = "Job %s (%s of %s) is given up: nothing of it is done or told until `fhirmod jobs --revive %s`."
    LOG.error(said, dead.seq, dead.kind, dead.key, dead.seq)


class JobWriter(Changing):
    """What can be done to jobs inside a transaction."""

    def put_jobs(self, access: Access, rows: Sequence[JobRow]) -> None:
        """Return nothing; these are to be done, each at its time or earlier.

        Shape: one that waits already keeps its place, or gets the earlier time; one that is being done is done
               again at that time; one that failed keeps its pause, and a dead one stays dead.
        """
        access.require("write")
        self._change(_PUT, [(each.kind, each.key, each.payload, ms(each.due_at)) for each in rows])

    def lease_job(
        self, access: Access, kinds: Iterable[str], *, now: datetime, until: datetime, holder: str
    ) -> Job | None:
        """Return the job of these kinds that is due longest, from now on the holder's alone until `until`; or None.

        Shape: `holder` names this lease and no other. A job whose last attempt ended with its lease is dead.
        """
        access.require("write")
        statement, room = _lease(len(wanted := list(kinds)))
        wanted += wanted[-1:] * (room - len(wanted))
        while rows := self._rows(statement, (holder, ms(until), ms(now), *wanted)):
            self.wrote = True
            found = Job.of(rows[0])
            if found.state == "waiting":
                return found
            tell_given_up(found)
        return None

    def renew_job(self, access: Access, leased: Job, until: datetime) -> None:
        """Return nothing; the lease lasts until then.

        Errors: LeaseLostError if the job is another's by now.
        """
        access.require("write")
        self._held(_RENEW, (ms(until), leased.seq, leased.holder))

    def end_job(self, access: Access, leased: Job, again: datetime | None = None) -> None:
        """Return nothing; the job went well, and is gone or waits for its next time.

        Errors: LeaseLostError if the job is another's by now; let it end the work.
        """
        access.require("write")
        if again is not None or not self._change(_DONE, [(leased.seq, leased.holder)]):
            due = _NEVER if again is None else ms(again)
            self._held(_AGAIN, (due, due, leased.seq, leased.holder))

    def fail_job(self, access: Access, leased: Job, now: datetime, error: str) -> None:
        """Return nothing; the job waits a while longer after each attempt, and is dead after the last.

        Shape: `error` is a code, without data of patients.
        Errors: LeaseLostError if the job is another's by now.
        """
        access.require("write")
        state = "waiting" if leased.attempts < MOST_ATTEMPTS else "dead"
        due = ms(now + pause_after(leased.attempts))
        self._held(_FAILED, (state, due, error, leased.seq, leased.holder))

    def revive_job(self, access: Access, seq: int, now: datetime) -> bool:
        """Return whether there was a dead job of this number; it is due now and all its attempts are before it."""
        access.require("write")
        return self._change(_REVIVE, [(ms(now), seq)]) == 1

    def _held(self, change: Change, row: Sequence[object]) -> None:
        if not self._change(change, [row]):
            raise LeaseLostError


_c = job.c
_ZERO: ColumnElement[int] = literal_column("0")
_MOST: ColumnElement[int] = literal_column(str(MOST_ATTEMPTS))
_WAITING: ColumnElement[str] = literal_column("'waiting'")
_DEAD: ColumnElement[str] = literal_column("'dead'")
_MINE = (_c.seq == bindparam("of"), _c.holder == bindparam("by"))
_FREE = {"holder": null(), "again_at": null()}


def _put(insert_into: Any) -> Any:
    new = insert_into(job)
    earlier: ColumnElement[bool] = or_(
        and_(_c.holder.is_(None), _c.attempts == _ZERO, new.excluded.due_at < _c.due_at),
        and_(_c.holder.is_not(None), or_(_c.again_at.is_(None), new.excluded.due_at < _c.again_at)),
    )
    moved = {
        "due_at": case((_c.holder.is_(None), new.excluded.due_at), else_=_c.due_at),
        "again_at": case((_c.holder.is_(None), _c.again_at), else_=new.excluded.due_at),
    }
    values: dict[str, Any] = {"state": _WAITING, "attempts": _ZERO} | {
        name: bindparam(name) for name in ("kind", "key", "payload")
    }
    return new.values(values | {"due_at": bindparam("due")}).on_conflict_do_update(
        index_elements=["kind", "key"], set_=moved, where=and_(_c.state == _WAITING, earlier)
    )


_PUT = Change(
    Prepared(_put(sqlite.Insert), "kind", "key", "payload", "due", otherwise={"postgresql": _put(postgresql.Insert)})
)


@sized
def _lease(count: int) -> Prepared:
    """Return the statement that leases the first job due of these kinds, or buries it if it is worn out.

    Two that ask at once never get the same: PostgreSQL steps over a row that another is taking, SQLite writes for one
    at a time.
    """
    first = job.alias("first").c
    kinds, names = numbered("kind", count)
    chosen = (
        select(first.seq)
        .where(first.state == _WAITING, first.due_at <= bindparam("now"), first.kind.in_(kinds))
        .order_by(first.due_at, first.seq)
        .limit(literal_column("1"))
        .offset(_ZERO)  # else SQLite is given a parameter for it
        .with_for_update(skip_locked=True)
    )
    worn = _c.attempts >= _MOST
    taken = {
        "state": case((worn, _DEAD), else_=_WAITING),
        "holder": case((worn, null()), else_=bindparam("holder", type_=_c.holder.type)),
        "due_at": case((worn, _c.due_at), else_=bindparam("until", type_=_c.due_at.type)),
        "attempts": case((worn, _c.attempts), else_=_c.attempts + literal_column("1")),
        "error": case((_c.holder.is_not(None), literal_column(f"'{LEASE_ENDED}'")), else_=_c.error),
    }
    statement = update(job).where(_c.seq == chosen.scalar_subquery()).ordered_values(*taken.items()).returning(*_c)
    return Prepared(statement, "holder", "until", "now", *names)


_RENEW = Change(Prepared(update(job).where(*_MINE).values({"due_at": bindparam("until")}), "until", "of", "by"))

_DONE = Change(Prepared(delete(job).where(*_MINE, _c.again_at.is_(None)), "of", "by"))

_AGAIN = Change(
    Prepared(
        update(job)
        .where(*_MINE)
        .values(
            {
                "due_at": case((_c.again_at < bindparam("next"), _c.again_at), else_=bindparam("due")),
                "attempts": _ZERO,
                "error": null(),
                **_FREE,
            }
        ),
        "next",
        "due",
        "of",
        "by",
    )
)

_FAILED = Change(
    Prepared(
        update(job)
        .where(*_MINE)
        .values({"state": bindparam("to"), "due_at": bindparam("due"), "error": bindparam("why"), **_FREE}),
        "to",
        "due",
        "why",
        "of",
        "by",
    )
)

_REVIVE = Change(
    Prepared(
        update(job)
        .where(_c.seq == bindparam("of"), _c.state == _DEAD)
        .values({"state": _WAITING, "due_at": bindparam("due"), "attempts": _ZERO, "error": null(), **_FREE}),
        "due",
        "of",
    )
)
