"""Entries of the Bundles that answer a transaction or a batch, each text as it is stored.

Source: HL7 FHIR R4 http.html#transaction-response, bundle.html (bdl-4, bdl-8).
"""

from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any

from starlette.responses import Response

from api.problems import FHIR_JSON, outcome
from fhirmod.errors import Finding
from fhirmod.intake import Written
from fhirmod.r4 import dump
from fhirmod.store import Version

from .answering import VersionResponse
from .headers import etag, location
from .writing import NOTHING

_OUTCOME = b'{"resourceType":"OperationOutcome"'


def response_bundle(kind: str, entries: Sequence[bytes]) -> Response:
    """Return the Bundle of what became of each entry."""
    head = dump({"resourceType": "Bundle", "type": kind})
    return Response(
        head[:-1] + b',"entry":[' + b",".join(entries) + b"]}" if entries else head, 200, media_type=FHIR_JSON
    )


def answered(method: str, answer: Response, *, asks: bool = True) -> bytes:
    """Return the entry for an answer that was given as if its request had come alone.

    Shape: `asks` is false for a write, whose OperationOutcome is about it and not what was asked for.
    """
    version = answer.version if isinstance(answer, VersionResponse) else None
    response = dump(_response(answer.status_code, version, answer.headers.get("location")))
    body = b"" if method == "HEAD" else bytes(answer.body)
    if not body:
        return b'{"response":' + response + b"}"
    if answer.status_code >= 400 or (not asks and body.startswith(_OUTCOME)):
        return b'{"response":' + response[:-1] + b',"outcome":' + body + b"}}"
    return b'{"resource":' + body + b',"response":' + response + b"}"


def written_entry(base: str, written: Written, about: Mapping[str, Sequence[Finding]], form: str) -> bytes:
    """Return the entry for a write of a transaction; `form` is what the client prefers to get back."""
    version, said = written.version, about.get(written.reference, ())
    there = version is not None and version.body is not None
    tells = bool(said) or form == "OperationOutcome"
    status = 201 if written.created else 200 if there or tells else 204
    place = location(base, version) if version is not None and there else None
    response = _response(status, version, place)
    if tells:
        response["outcome"] = outcome(said or [NOTHING])
    resource = b""
    if form == "representation" and version is not None and version.body is not None:
        resource = b'"resource":' + version.body + b","
    return b"{" + resource + b'"response":' + dump(response) + b"}"


def _response(status: int, version: Version | None, place: str | None) -> dict[str, Any]:
    response: dict[str, Any] = {"status": f"{status} {HTTPStatus(status).phrase}"}
    if place is not None:
        response["location"] = place
    if version is not None:
        response |= {"etag": etag(version), "lastModified": version.updated}
    return response
