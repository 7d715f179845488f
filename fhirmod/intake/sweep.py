"""The handler of the jobs that look for what is overdue."""

from datetime import datetime

from fhirmod.store import Job, Writer

from .overdue import tell_overdue
from .request import Request
from .service import Intake
from .working import Handler, Work


def overdue(intake: Intake) -> Handler:
    """Return the handler of the kind `OVERDUE`: a job's key is its episode.

    Errors: NotFoundError if there is no such episode.
    """

    def handle(job: Job, request: Request) -> Work:
        intake.snapshot(request.access, job.key)  # read back before the transaction, which finds it kept

        def work(writer: Writer) -> datetime | None:
            row = writer.lock(request.access, job.key)  # no write of this episode comes between the look and the end
            return tell_overdue(writer, request, intake.at(writer, request.access, row))

        return work

    return handle
