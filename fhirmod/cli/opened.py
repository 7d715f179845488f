"""The record in a file, opened for a command: its intake, and where its requests come from."""

from collections.abc import Callable
from pathlib import Path

from api.clock import Clock, wall_clock
from api.record import is_address, open_record, renew
from fhirmod.episode import Protocol
from fhirmod.errors import NotFoundError
from fhirmod.intake import Intake, Request
from fhirmod.store import Access

Requests = Callable[[], Request]


def clock_of_this_machine() -> Clock:
    """Return where a command gets the time and new ids from."""
    return wall_clock()


def opened(db: Path | str, *, must_exist: bool = False) -> tuple[Intake, Requests]:
    """Return the intake on a file, and a maker of requests.

    Errors: NotFoundError if the file must be there and is not; as `open_record` otherwise.
    """
    if must_exist and not is_address(db) and not Path(db).exists():
        raise NotFoundError(f"There is no file {db}; `fhirmod serve` or `fhirmod demo` makes one, --db names another.")
    clock = wall_clock()
    intake, access = Intake(open_record(db), Protocol.default()), Access.whole("command line")
    renew(intake, access)

    def request() -> Request:
        return Request(access, clock.now(), clock.new_id)

    return intake, request
