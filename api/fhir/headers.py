"""What FHIR puts into headers: versions, times, places, and what the client accepts and prefers.

Source: HL7 FHIR R4 http.html; RFC 9110 for dates.
"""

from datetime import UTC, datetime
from email.utils import format_datetime, parsedate_to_datetime

from starlette.requests import Request

from api.asking import is_r4
from api.problems import RefusedRequest
from fhirmod.store import Version

_ACCEPTED = frozenset({"application/fhir+json", "application/json", "text/json", "application/*", "*/*"})
_FORMATS = frozenset({"json", "application/json", "application/fhir+json", "text/json"})


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


def refuse_format(request: Request) -> None:
    """Return nothing if the client takes FHIR R4 in JSON; `_format` counts before Accept.

    Errors: RefusedRequest (406) otherwise.
    """
    asked = request.query_params.get("_format")
    if asked is not None:
        if asked.replace(" ", "+").partition(";")[0] not in _FORMATS:
            raise RefusedRequest(406, "not-supported", "The answer is given as application/fhir+json only.")
        return
    accept = request.headers.get("accept", "*/*")
    for choice in accept.split(","):
        kind, *parameters = (part.strip().lower() for part in choice.split(";"))
        versions = [part.partition("=")[2] for part in parameters if part.startswith("fhirversion=")]
        if kind in _ACCEPTED and all(map(is_r4, versions)):
            return
    raise RefusedRequest(406, "not-supported", "The answer is given as application/fhir+json, fhirVersion 4.0 only.")


def has_already(request: Request, version: Version) -> bool:
    """Return whether the client has this version: by its tag, or, without tags, by when it was written.

    Source: RFC 9110, 13.1.2 and 13.1.3.
    """
    tags = request.headers.get("if-none-match")
    if tags is not None:
        listed = {tag.strip().removeprefix("W/").strip('"') for tag in tags.split(",")}
        return bool(listed & {"*", str(version.version)})
    try:
        since = parsedate_to_datetime(request.headers.get("if-modified-since", ""))
    except ValueError:
        return False
    written = datetime.fromisoformat(version.updated).replace(microsecond=0)
    return written <= (since if since.tzinfo is not None else since.replace(tzinfo=UTC))


def prefers(request: Request, name: str, otherwise: str) -> str:
    """Return what the Prefer header says of `return` or `handling`."""
    for header in request.headers.getlist("prefer"):
        for part in header.split(","):
            key, _, value = part.partition(";")[0].strip().partition("=")
            if key.lower() == name:
                return value.strip().strip('"')
    return otherwise
