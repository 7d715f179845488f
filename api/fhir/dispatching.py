"""From an address to what answers it: the endpoints of the table, and the same for entries of a Bundle."""

import re
from collections import defaultdict
from collections.abc import Mapping
from functools import cache

from api.guard import Door, Endpoint, Handler, guarded
from api.scopes import ALL_LETTERS, Need
from fhirmod.errors import NotFoundError, NotSupportedError

from .answering import Reading
from .guard import FHIR
from .table import INTERACTIONS


def endpoints(made: Mapping[str, Handler]) -> dict[str, Endpoint]:
    """Return one guarded endpoint for each path of the table; `made` answers what the table itself does not."""
    by_path: defaultdict[str, dict[str, Door]] = defaultdict(dict)
    for one in INTERACTIONS:
        handler = one.answer or made.get(one.code)
        if handler is not None:
            by_path[one.path][one.method] = Door(handler, None if one.scope == "open" else one.needs)
    return {path: guarded(doors, FHIR) for path, doors in by_path.items()}


def by_depth(path: str) -> tuple[int, str]:
    """Return what sorts paths so that a fixed name comes before a placeholder."""
    return path.count("{"), path


@cache
def _patterns() -> list[tuple[str, re.Pattern[str]]]:
    paths = sorted({one.path for one in INTERACTIONS}, key=by_depth)
    return [(path, re.compile(re.sub(r"\\\{(\w+)\\\}", r"(?P<\1>[^/]+)", re.escape(path)))) for path in paths]


def path_of(address: str) -> tuple[str, Mapping[str, str]] | None:
    """Return the path of the table that an address (``/Patient/1``) is of, and what its placeholders stand for.

    >>> path_of("/Patient/1/_history/2")
    ('/{type}/{id}/_history/{version}', {'type': 'Patient', 'id': '1', 'version': '2'})
    """
    for path, pattern in _patterns():
        if (found := pattern.fullmatch(address)) is not None:
            return path, found.groupdict()
    return None


def needs_at(method: str, address: str) -> tuple[Need, ...]:
    """Return what a request inside a transaction needs; what is at no address of the table needs everything.

    >>> needs_at("PUT", "Patient/1"), needs_at("PUT", "Patient?identifier=a|b")
    ((('u', 'Patient'),), (('u', 'Patient'), ('s', 'Patient')))
    """
    found = path_of("/" + address.partition("?")[0].strip("/"))
    for one in INTERACTIONS if found is not None else ():
        if found is not None and (one.path, one.method) == (found[0], "GET" if method == "HEAD" else method):
            return one.needs(found[1])
    return tuple((letter, "*") for letter in ALL_LETTERS)


def reading_at(address: str) -> tuple[Reading, Mapping[str, str]]:
    """Return what answers a GET inside a transaction, and what the placeholders of its path stand for.

    Errors: NotFoundError if nothing is at this address; NotSupportedError if it cannot be asked there.
    """
    found = path_of(address)
    if found is None:
        raise NotFoundError("There is nothing at this address; /fhir/metadata says what there is.", place="request.url")
    path, named = found
    for one in INTERACTIONS:
        if (one.path, one.method) == (path, "GET") and one.reading is not None:
            return one.reading, named
    raise NotSupportedError(
        "Inside a transaction there are reads, searches and histories only; ask for this alone, or in a batch.",
        place="request.url",
    )
