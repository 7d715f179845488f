"""create, update, transaction: the client's bytes to the intake, and its receipt back as FHIR."""

from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, parameters, read_body, truth
from api.problems import FHIR_JSON, RefusedRequest, outcome
from fhirmod.errors import Finding
from fhirmod.intake import Receipt, Written
from fhirmod.r4 import dump, parse

from .headers import etag, location, prefers, version_headers
from .reading import given, known_type

_WORDS = {200: "200 OK", 201: "201 Created"}


async def create(request: Request, parts: Parts, base: str) -> Response:
    """Create a resource under a new id, or return the one that If-None-Exist finds."""
    type_ = known_type(request)
    body = await read_body(request, parts)
    condition = request.headers.get("if-none-exist")
    written = await run_in_threadpool(parts.intake.create, parts.request(), type_, body, if_none_exist=condition)
    return _answer(request, base, written)


async def update(request: Request, parts: Parts, base: str) -> Response:
    """Update a resource, or create it under the client's id."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    body = await read_body(request, parts)
    _refuse_other_id(parse(body), type_, id_)
    if_match = request.headers.get("if-match")
    written = await run_in_threadpool(parts.intake.update, parts.request(), type_, id_, body, if_match=if_match)
    return _answer(request, base, written)


def _refuse_other_id(resource: Any, type_: str, id_: str) -> None:
    """Return nothing if the resource's id is that of the address, or if it is no resource, which others say.

    Errors: RefusedRequest (400), as R4 wants it here.
    Source: http://hl7.org/fhir/R4/http.html#update
    """
    if isinstance(resource, dict) and resource.get("id") != id_:
        got = "none" if "id" not in resource else "another"
        sentence = f"The resource's id must be that of the address, {id_[:64]}; got {got}."
        raise RefusedRequest(400, "value", sentence, place=f"{type_}.id")


async def transaction(request: Request, parts: Parts, base: str) -> Response:
    """Take a whole case, or nothing of it."""
    dry_run = truth(parameters(request, frozenset({"_format", "dryRun"})), "dryRun")
    body = await read_body(request, parts)
    written, receipt = await run_in_threadpool(parts.intake.transaction, parts.request(dry_run=dry_run), body)
    ignored = {one.reference: one.reason for one in receipt.ignored}
    whole = prefers(request, "return", "minimal") == "representation"
    entries = [_entry(base, one, ignored, receipt, whole=whole) for one in written]
    bundle = {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}
    if not entries:
        del bundle["entry"]
    return Response(dump(bundle), 200, media_type=FHIR_JSON)


def _answer(request: Request, base: str, written: Written) -> Response:
    version = written.version
    assert version is not None
    status = 201 if written.created else 200
    headers = version_headers(version) | {"Location": location(base, version)}
    match prefers(request, "return", "representation"):
        case "minimal":
            return Response(status_code=status, headers=headers)
        case "OperationOutcome":
            return Response(dump(outcome(said(written.receipt))), status, headers, FHIR_JSON)
        case _:
            return given(version, status, headers)


def said(receipt: Receipt) -> list[Finding]:
    """Return what a receipt has to say, as information: what was read as which entry, what was not, and why."""
    found = [
        Finding(
            "information", "read-as-entry", "informational", one.reference, f"Read as the {one.kind} entry {one.entry}."
        )
        for one in receipt.read
    ]
    found += [
        Finding("information", "unread", "informational", one.reference, f"Stored, not read as an entry: {one.reason}.")
        for one in receipt.unread
    ]
    found += [
        Finding("information", "ignored", "informational", one.reference, f"Not stored: {one.reason}")
        for one in receipt.ignored
    ]
    return found or [Finding("information", "written", "informational", "", "Nothing more to say.")]


def _entry(base: str, written: Written, ignored: dict[str, str], receipt: Receipt, *, whole: bool) -> dict[str, Any]:
    version = written.version
    reference = "" if version is None else f"{version.type}/{version.id}"
    about = [one for one in said(receipt) if one.place == (written.reference or reference)]
    response: dict[str, Any] = {"status": _WORDS[201 if written.created else 200]}
    if version is not None:
        response |= {
            "location": location(base, version),
            "etag": etag(version),
            "lastModified": version.updated,
        }
    if about:
        response["outcome"] = outcome(about)
    entry: dict[str, Any] = {"response": response}
    if whole and version is not None and version.body is not None:
        entry["resource"] = parse(version.body)
    return entry
