"""Jobs that have failed for good: which they are, and giving them another chance."""

from collections.abc import Iterable, Iterator
from functools import partial

from fhirmod.errors import NotFoundError
from fhirmod.store import Job, Reader, Store

from .opened import Requests, opened


def listing(db: str) -> Iterator[str]:
    """Return a line for each dead job: number, kind, what it is about, attempts, and the code of the last error."""
    intake, request = opened(db, must_exist=True)
    with intake.store as store:
        found = list(_dead(store, request))
    for one in found:
        yield f"{one.seq:>6}  {one.kind:<10}  {one.key}  {one.attempts} attempts  {one.error or 'no error known'}"
    if not found:
        yield "No job has failed for good."


def revived(db: str, numbers: Iterable[int]) -> Iterator[str]:
    """Return a line for each of these dead jobs, which are due again.

    Errors: NotFoundError at the first that is no dead job; those before it are revived.
    """
    intake, request = opened(db, must_exist=True)
    with intake.store as store:
        for number in numbers:
            asked = request()
            if not store.write(lambda w, n=number, a=asked: w.revive_job(a.access, n, a.now)):  # type: ignore[misc]
                raise NotFoundError(f"There is no dead job {number}; `fhirmod jobs` lists those there are.")
            yield f"Job {number} is due again; a running service will do it."


def _dead(store: Store, request: Requests) -> Iterator[Job]:
    after, access = 0, request().access
    while page := store.read(partial(Reader.jobs, access=access, state="dead", after=after)):
        yield from page
        after = page[-1].seq
