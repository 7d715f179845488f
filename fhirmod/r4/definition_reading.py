"""Reading what partners define: whatever is wrong with a definition is one sentence that says where, never a crash."""

from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from fhirmod.errors import InvalidError

Json = Mapping[str, Any]

BROKEN = (TypeError, AttributeError, KeyError, ValueError, IndexError)


def by_url(kind: str, resources: Iterable[Json]) -> dict[str, Json]:
    """Return definitions by their canonical URLs.

    Errors: InvalidError for one that is no object or has no URL.
    """
    found = {}
    for number, one in enumerate(resources):
        url = one.get("url") if isinstance(one, Mapping) else None
        if not isinstance(url, str) or not url:
            raise InvalidError(
                f"The {kind} at {number} has no url; wanted the canonical URL that names it.", place=f"{kind}.url"
            )
        found[url] = one
    return found


@contextmanager
def reading(kind: str, one: Json) -> Iterator[None]:
    """Return what turns anything that breaks while a definition is read into an InvalidError that says why."""
    try:
        yield
    except (*BROKEN, RecursionError) as broken:
        why = _why({"resourceType": kind} | dict(one)) or f"what breaks is {type(broken).__name__}"
        raise InvalidError(
            f"The {kind} {str(one['url'])[:200]} cannot be read ({why}); wanted one that is valid R4.", place=kind
        ) from None


def _why(resource: Json) -> str:
    """Return what R4 has against a definition where it breaks, or nothing."""
    from .check import check  # noqa: PLC0415 - the walker knows definitions, and is asked only about a broken one

    refused = [one for one in check(resource) if one.refuses]
    form = [one for one in refused if one.issue == "structure" or one.code.startswith("bad-")]
    missing = [one for one in refused if one.code == "missing-element" and "." in one.place]
    for one in (*form, *missing):
        return f"{one.place}: {one.sentence.rstrip('.')}"
    return ""
