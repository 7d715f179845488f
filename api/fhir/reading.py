"""read and vread: one resource as it stands, or as it stood."""

import re
from base64 import b64decode

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts
from api.problems import RefusedRequest
from fhirmod.errors import GoneError, NotFoundError, NotSupportedError
from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.r4 import RESOURCE_TYPES, parse
from fhirmod.store import Reader, Version

from .answering import VersionResponse
from .headers import has_already, strict, version_headers
from .negotiating import as_content
from .subsetting import SUBSETTING, subsetting

CONTROL = frozenset(("_format", "_pretty"))
_APPLIED = CONTROL | SUBSETTING
ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def known_type(request: Request) -> str:
    """Return the resource type of the address.

    Errors: RefusedRequest (404) if R4 or this service has no such type.
    """
    type_ = str(request.path_params["type"])
    if type_ not in RESOURCE_TYPES:
        raise RefusedRequest(404, "not-supported", f"There is no resource type {type_[:40]!r} here.")
    return type_


def read_only(type_: str) -> str:
    """Return the sentence that refuses a write of what is published."""
    return f"Resources of type {type_} are published with this software and only read here; they are not written."


def written_type(request: Request) -> str:
    """Return the resource type of the address of a write.

    Errors: RefusedRequest (404) if there is no such type, (405) if its resources are published with this software.
    """
    type_ = known_type(request)
    if type_ in PUBLISHED_TYPES:
        raise RefusedRequest(405, "not-supported", read_only(type_), {"Allow": "GET, HEAD"})
    return type_


def read(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give the current version; 404 if there never was one, 410 after its deletion, 304 if the client has it."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    return given(request, living(type_, id_, reader.get(parts.request().access, type_, id_)))


def vread(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give one version; 404 if there is none of that number, 410 if it is the deletion, 304 if the client has it."""
    type_, id_, wanted = known_type(request), str(request.path_params["id"]), str(request.path_params["version"])
    version = None
    if wanted.isascii() and wanted.isdigit() and len(wanted) < 10:
        version = reader.vread(parts.request().access, type_, id_, int(wanted))
    return given(request, living(type_, id_, version, wanted))


def given(request: Request, version: Version) -> Response:
    """Return a version as it is stored, or the part of it that is asked for; nothing again that the client has.

    Errors: BadParameterError; NotSupportedError for a parameter that is not applied, if the client is strict.
    """
    refuse_unknown(request, _APPLIED)
    part = subsetting(request.query_params)
    varying = {"Vary": "Accept"} if version.type == "Binary" else {}  # RFC 9110, 12.5.5 and 15.4.5
    if version.type not in PUBLISHED_TYPES and has_already(
        request, version
    ):  # these keep their version for each release
        return VersionResponse(version, None, 304, varying)
    body = version.body or b""
    if version.type == "Binary":
        resource = parse(body)
        kind = str(resource["contentType"])
        if as_content(request, kind) and part is None:  # a part is one of the resource
            return _content(version, kind, b64decode(resource.get("data", "")), varying)
    return VersionResponse(version, body if part is None else part(body), headers=varying)


def _content(version: Version, kind: str, content: bytes, varying: dict[str, str]) -> Response:
    """Return the content of a Binary, which no browser is to take for a page of ours."""
    safe = {"X-Content-Type-Options": "nosniff", "Content-Security-Policy": "sandbox", **varying}
    return Response(content, 200, {**version_headers(version), **safe, "Content-Type": kind})


def refuse_unknown(request: Request, applied: frozenset[str]) -> None:
    """Return nothing if every parameter is applied, or the client is lenient.

    Errors: NotSupportedError naming one that is not.
    """
    if strict(request):
        for name in request.query_params:
            if name not in applied:
                known = ", ".join(sorted(applied))
                raise NotSupportedError(
                    f"The parameter {name[:40]!r} is not applied here; there are: {known}.", place=name[:40]
                )


def living(type_: str, id_: str, version: Version | None, wanted: str | None = None) -> Version:
    """Return the version if it has a body.

    Errors: NotFoundError if there is none; GoneError if it is a deletion.
    """
    named = f"{type_}/{id_}" if ID.fullmatch(id_) else type_
    which = "" if wanted is None else f", version {wanted[:12]},"
    if version is None:
        raise NotFoundError(f"{named}{which} was never here.", place=type_)
    if version.body is None:
        raise GoneError(f"{named}{which} was deleted; its earlier versions can still be read.", place=type_)
    return version
