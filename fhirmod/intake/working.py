"""Working off the jobs of a store, one at a time; who calls this again and again stands in `api`.

::

    lease (a transaction) -> the handler of its kind, outside of any -> what it writes, and the job's end (one more)
"""

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import datetime, timedelta

from fhirmod.errors import FhirmodError
from fhirmod.store import MOST_ATTEMPTS, Job, LeaseLostError, Store, Writer, tell_given_up

from .request import Request

LOG = logging.getLogger(__name__)
Work = Callable[[Writer], datetime | None]  # writes what the job does; answers when it is due again, if it is
Handler = Callable[[Job, Request], Work]  # does what takes long, and leaves the rest to the work it returns


def work_one(
    store: Store,
    handlers: Mapping[str, Handler],
    requests: Callable[[], Request],
    *,
    holder: str,
    lasts: timedelta,
) -> bool:
    """Return whether there was a job to do; it was done, or has failed once more.

    Shape:  `holder` names this lease and no other, which `lasts` unless the handler renews it. What the work writes
            and the job's end are one transaction: if another has the job by then, nothing was written.
    Errors: UnavailableError if the database does not answer; the lease then ends by itself.
    """
    request = requests()
    access, now = request.access, request.now
    job = store.write(lambda w: w.lease_job(access, handlers, now=now, until=now + lasts, holder=holder))
    if job is None:
        return False
    try:
        work = handlers[job.kind](job, request)
        store.write(lambda writer: writer.end_job(access, job, work(writer)))
    except LeaseLostError:
        LOG.warning("Job %s (%s) took longer than its lease; another does it.", job.seq, job.kind)
    except Exception as error:  # noqa: BLE001 - whatever it is, the next job is not to wait for it
        code = error.code if isinstance(error, FhirmodError) else type(error).__name__
        LOG.warning("Job %s (%s) failed at attempt %s: %s.", job.seq, job.kind, job.attempts, code)
        failed_at = requests().now
        with suppress(LeaseLostError):
            store.write(lambda writer: writer.fail_job(access, job, failed_at, code))
            if job.attempts >= MOST_ATTEMPTS:
                tell_given_up(job)
    return True
