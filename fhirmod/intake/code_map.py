"""The site's code map as the record keeps it: one Library whose current version is the map in force.

Everything is read with the map in force, so what was computed and what is read back agree; another map comes into
force only by reading everything anew (`rebuild`), or while the record is empty.
"""

from base64 import b64decode, b64encode
from typing import Any

from fhirmod.errors import ConflictError
from fhirmod.mapping import NO_CODES, Image, SiteCodes
from fhirmod.r4 import parse
from fhirmod.store import Access, Reader, Writer

from .putting import put_image
from .request import Request

_ID = "site-code-map"
_TYPE = {"system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "asset-collection"}


def in_force(reader: Reader, access: Access) -> SiteCodes:
    """Return the code map that this record is read with; an empty one if it has none."""
    version = reader.get(access, "Library", _ID)
    if version is None or version.body is None or version.owner != "assembled":
        return NO_CODES
    return SiteCodes.read(b64decode(parse(version.body)["content"][0]["data"]))


def put_in_force(writer: Writer, request: Request, codes: SiteCodes) -> bool:
    """Return whether this map differs from the one in force, which it now has replaced."""
    if codes.hash == in_force(writer, request.access).hash:
        return False
    json = codes.text.lstrip()[:1] == b"{"
    body: dict[str, Any] = {
        "resourceType": "Library",
        "id": _ID,
        "status": "active",
        "type": {"coding": [_TYPE]},
        "content": [
            {
                "contentType": "application/fhir+json" if json else "text/csv",
                "data": b64encode(codes.text).decode(),
            }
        ],
    }
    known = writer.get(request.access, "Library", _ID) is not None
    put = put_image(Image("Library", _ID, body), "assembled", "", "", "PUT" if known else "POST")
    writer.put(request.access, [put._replace(episode=None, basis=None)], request.received.text)
    return True


def adopt(writer: Writer, request: Request, codes: SiteCodes) -> None:
    """Return nothing; the map is in force.

    Errors: ConflictError if the record has episodes that were read with another one.
    """
    if codes.hash == in_force(writer, request.access).hash:
        return
    if writer.episodes(request.access, limit=1):
        raise ConflictError(
            "The record was read with another code map; `fhirmod rebuild --code-map FILE` reads it anew with this one.",
            place="code-map",
        )
    put_in_force(writer, request, codes)
