"""What FHIR puts into headers: versions, times, places, and what the client has already and prefers.

Source: HL7 FHIR R4 http.html; RFC 9110 for dates.
"""

from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime

from starlette.requests import Request

from fhirmod.store import Version


def etag(version: Version) -> str:
    """Return the weak entity tag of a version."""
    return f'W/"{version.version}"'


def last_modified(version: Version) -> str:
    """Return when a version was written, as an HTTP date."""
    return format_datetime(datetime.fromisoformat(version.updated).astimezone(UTC), usegmt=True)


def version_headers(version: Version) -> dict[str, str]:
    """Return the headers of an answer that carries a version."""
    return {"ETag": etag(version), "Last-Modified": last_modified(version)}


def location(base: str, version: Version) -> str:
    """Return where this version stands."""
    return f"{base}/{version.type}/{version.id}/_history/{version.version}"


def tags(listed: str) -> set[str]:
    """Return the entity tags of a header, without W/ and quotes: here each is weak.

    >>> sorted(tags('W/"1", "2", 3'))
    ['1', '2', '3']
    """
    return {tag.strip().removeprefix("W/").strip('"') for tag in listed.split(",")}


def has_already(request: Request, version: Version) -> bool:
    """Return whether the client has this version: by its tag, or, without tags, by when it was written.

    Source: RFC 9110, 13.1.2 and 13.1.3.
    """
    listed = request.headers.get("if-none-match")
    if listed is not None:
        return bool(tags(listed) & {"*", str(version.version)})
    try:
        since = parsedate_to_datetime(request.headers.get("if-modified-since", ""))
    except (ValueError, OverflowError):
        return False
    written = datetime.fromisoformat(version.updated).replace(microsecond=0)
    return written <= (since if since.tzinfo is not None else since.replace(tzinfo=UTC))


def prefers(request: Request, name: str, otherwise: str) -> str:
    """Return what the Prefer header says of `return` or `handling`.

    Source: RFC 7240; some clients part preferences by a semicolon, which is read as what was meant.
    """
    for header in request.headers.getlist("prefer"):
        for part in header.replace(";", ",").split(","):
            key, _, value = part.strip().partition("=")
            if key.strip().lower() == name:
                return value.strip().strip('"')
    return otherwise


def strict(request: Request) -> bool:
    """Return whether the client wants to hear of each parameter that is not applied."""
    return prefers(request, "handling", "lenient") == "strict"
