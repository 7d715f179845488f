"""Loading the invented cases and stories: into a file, or into a service that is running."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from http.client import HTTPConnection, HTTPException, HTTPSConnection
from textwrap import wrap
from typing import Any, cast
from urllib.parse import urlsplit

from fhirmod.errors import BadParameterError, NotSupportedError, UnreadableError
from fhirmod.exchange import Case, PartnerCase, demo_cases, partner_cases
from fhirmod.intake import Intake
from fhirmod.r4 import dump, parse
from fhirmod.stories import Level, stories

from .opened import Requests
from .showing import WIDTH


def told_stories(count: int, seed: int, dirt: str) -> Iterator[Case]:
    """Return so many stories of a seed as cases to load."""
    for number, one in enumerate(stories(count, seed, dirt=cast(Level, dirt))):
        yield Case(f"story {number}", one.course, one.opening, one.entries)


def all_cases() -> Iterator[Case | PartnerCase]:
    """Return the invented cases of the examples."""
    yield from demo_cases()
    yield from partner_cases()


def as_lines(cases: Iterable[Case | PartnerCase]) -> Iterator[bytes]:
    """Return each entry of cases of entries on a line of its own, an opening before those of its case."""
    for case in cases:
        if isinstance(case, Case):
            for entry in ({"kind": "opening"} | case.opening, *case.entries):
                yield dump(entry) + b"\n"


def into_file(intake: Intake, request: Requests, cases: Iterable[Case | PartnerCase]) -> Iterator[str]:
    """Return one line for each case loaded into the record of this intake."""
    for case in cases:
        if isinstance(case, PartnerCase):
            written, receipt = intake.transaction(request(), case.bundle)
            words = ["accepted" if one.written else "repeat" for one in written]
            yield _line(case, case.episode, words, unread=len(receipt.unread))
        else:
            snapshot, result = intake.open(request(), case.opening)
            answer = intake.append(request(), snapshot.row.id, case.entries)
            yield _line(case, snapshot.row.id, [one.status for one in (result, *answer.entries)])


def into_service(address: str, cases: Iterable[Case | PartnerCase], token: str | None = None) -> Iterator[str]:
    """Return one line for each case posted to the service at this address, with a token if it asks for one.

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
    headers = {"Content-Type": "application/json"} | ({} if token is None else {"Authorization": f"Bearer {token}"})

    def post(path: str, body: bytes) -> Any:
        return _posted(connection, f"{base}{path}", body, headers)

    try:
        for case in cases:
            yield _sent(post, case)
    except (OSError, HTTPException) as wrong:
        why = getattr(wrong, "strerror", None) or type(wrong).__name__
        raise NotSupportedError(
            f"No service answers at {address} ({why}); start one with `fhirmod serve`, or name another with --to."
        ) from None
    finally:
        connection.close()


def _sent(post: Callable[[str, bytes], Any], case: Case | PartnerCase) -> str:
    if isinstance(case, PartnerCase):
        answer = post("/fhir", case.bundle)
        words = ["accepted" if one["response"]["status"].startswith("201") else "repeat" for one in answer["entry"]]
        unread = sum(_is_unread(one["response"].get("outcome")) for one in answer["entry"])
        return _line(case, case.episode, words, unread)
    opened = post("/episodes", dump(case.opening))
    receipt = post(f"/episodes/{opened['episode']}/entries", dump(case.entries))
    return _line(case, opened["episode"], [one["status"] for one in (opened["entry"], *receipt["entries"])])


def _is_unread(outcome: Any) -> bool:
    """Return whether an OperationOutcome says that its resource was stored and not read as an entry."""
    issues = outcome.get("issue", []) if isinstance(outcome, dict) else []
    codes = (code.get("code") for one in issues for code in one.get("details", {}).get("coding", []))
    return "unread" in codes


def _posted(connection: HTTPConnection, path: str, body: bytes, headers: Mapping[str, str]) -> Any:
    connection.request("POST", path, body, headers)
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


def _line(case: Case | PartnerCase, episode: str, statuses: list[str], unread: int = 0) -> str:
    """Return what is said of a case: in 80 columns, with more lines where it needs them."""
    counted = Counter(statuses) + Counter(unread=unread)
    words = ", ".join(f"{count} {word}" for word, count in counted.items())
    said = f"{episode}  {case.name}: {case.title} ({words})"
    return "\n".join(wrap(said, WIDTH, subsequent_indent=" " * (len(episode) + 2), break_on_hyphens=False))
