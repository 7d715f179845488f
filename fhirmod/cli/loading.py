"""Loading the invented cases: into a file, or into a service that is running."""

from collections import Counter
from collections.abc import Iterator
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from typing import Any
from urllib.parse import urlsplit

from fhirmod.errors import BadParameterError, NotSupportedError, UnreadableError
from fhirmod.exchange import Case, demo_cases
from fhirmod.intake import Intake
from fhirmod.r4 import dump, parse

from .opened import Requests


def into_file(intake: Intake, request: Requests) -> Iterator[str]:
    """Return one line for each case loaded into the record of this intake."""
    for case in demo_cases():
        snapshot, result = intake.open(request(), case.opening)
        receipt = intake.append(request(), snapshot.row.id, case.entries)
        yield _line(case, snapshot.row.id, [one.status for one in (result, *receipt.entries)])


def into_service(address: str) -> Iterator[str]:
    """Return one line for each case posted to the service at this address.

    Errors: BadParameterError if it is no address; NotSupportedError if nothing answers there, or not as we do.
    """
    parts = urlsplit(address)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise BadParameterError(
            f"The service must be an address such as http://127.0.0.1:8000; got {address!r}.", place="to"
        )
    kind = HTTPSConnection if parts.scheme == "https" else HTTPConnection
    connection = kind(parts.netloc, timeout=30)
    base = parts.path.rstrip("/")
    try:
        for case in demo_cases():
            opened = _posted(connection, f"{base}/episodes", case.opening)
            receipt = _posted(connection, f"{base}/episodes/{opened['episode']}/entries", case.entries)
            yield _line(case, opened["episode"], [one["status"] for one in (opened["entry"], *receipt["entries"])])
    except (OSError, HTTPException) as wrong:
        why = getattr(wrong, "strerror", None) or type(wrong).__name__
        raise NotSupportedError(
            f"No service answers at {address} ({why}); start one with `fhirmod serve`, or name another with --to."
        ) from None
    finally:
        connection.close()


def _posted(connection: HTTPConnection, path: str, value: Any) -> Any:
    connection.request("POST", path, dump(value), {"Content-Type": "application/json"})
    answer = connection.getresponse()
    body = answer.read()
    if answer.status >= 300:
        raise NotSupportedError(f"The service answered {answer.status} to POST {path}: {_sentence(body)}")
    return parse(body)


def _sentence(body: bytes) -> str:
    try:
        return str(parse(body)["findings"][0]["sentence"])
    except (UnreadableError, LookupError, TypeError):
        return "it is not a service of this kind."


def _line(case: Case, episode: str, statuses: list[str]) -> str:
    words = ", ".join(f"{count} {word}" for word, count in Counter(statuses).items())
    return f"{episode}  {case.name}: {case.title} ({words})"
