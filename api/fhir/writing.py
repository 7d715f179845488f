"""create, update, patch, delete, each by id or under a condition: the client's bytes to the intake, its receipt back.

Source: HL7 FHIR R4 http.html#create, #update, #patch, #delete, #cond-update, #ops (Prefer).
"""

from collections import defaultdict
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import JSON_PATCH, PATCH_TYPES, Parts, read_body
from api.guard import caller_of
from api.problems import FHIR_JSON, RefusedRequest, outcome
from fhirmod.errors import BadParameterError, Finding
from fhirmod.intake import Receipt, Written
from fhirmod.r4 import dump, parse

from .answering import VersionResponse
from .headers import etag, location, prefers
from .reaching import looked_up
from .reading import CONTROL, written_type
from .subsetting import SUBSETTING, Part, subsetting

_GENERAL = CONTROL | SUBSETTING  # http.html#parameters: of every interaction, so never a condition


async def create(request: Request, parts: Parts, base: str) -> Response:
    """Create a resource under a new id, or return the one that If-None-Exist finds."""
    type_, part = written_type(request), subsetting(request.query_params)
    for name in request.query_params:
        if name not in _GENERAL:  # some clients put their condition here; ignored, it would create a second one
            raise BadParameterError(
                f"A create takes no {name[:40]!r} in its address; a condition is sent as the header If-None-Exist.",
                place=name[:40],
            )
    body = await read_body(request, parts)
    condition = request.headers.get("if-none-exist")
    if condition is not None:
        if not condition.isascii():  # read in the wrong encoding it would find nothing, and create another each time
            raise BadParameterError("If-None-Exist must be percent-encoded UTF-8.", place="If-None-Exist")
        parts.caller.require([("s", type_)])

    def write() -> Written:
        refuse_lookups(parts, body)
        return parts.intake.create(parts.request(base=base), type_, body, if_none_exist=condition)

    return _answer(request, base, await run_in_threadpool(write), part)


async def update(request: Request, parts: Parts, base: str) -> Response:
    """Update a resource, or create it under the client's id."""
    type_, id_ = written_type(request), str(request.path_params["id"])
    body = await read_body(request, parts)
    _refuse_other_id(await run_in_threadpool(parse, body), type_, id_)
    return await _updated(request, parts, base, body, id_, None)


async def update_found(request: Request, parts: Parts, base: str) -> Response:
    """Update the one resource that the condition matches, or create one if it matches none."""
    written_type(request)
    condition = condition_of(request)
    return await _updated(request, parts, base, await read_body(request, parts), None, condition)


async def _updated(
    request: Request, parts: Parts, base: str, body: bytes, id_: str | None, condition: str | None
) -> Response:
    part = subsetting(request.query_params)

    def write() -> Written:
        refuse_lookups(parts, body)
        return parts.intake.update(
            parts.request(base=base),
            written_type(request),
            id_,
            body,
            condition=condition,
            if_match=request.headers.get("if-match"),
            if_none_match=request.headers.get("if-none-match"),
        )

    return _answer(request, base, await run_in_threadpool(write), part)


async def patch(request: Request, parts: Parts, base: str) -> Response:
    """Change a resource by a JSON Patch or a FHIRPath Patch; what comes out is checked as if it were sent."""
    return await _patched(request, parts, base, str(request.path_params["id"]), None)


async def patch_found(request: Request, parts: Parts, base: str) -> Response:
    """Change the one resource that the condition matches by a patch."""
    written_type(request)
    return await _patched(request, parts, base, None, condition_of(request))


async def _patched(request: Request, parts: Parts, base: str, id_: str | None, condition: str | None) -> Response:
    type_, part = written_type(request), subsetting(request.query_params)
    body = await read_body(request, parts, PATCH_TYPES)
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()

    def write() -> Written:
        refuse_lookups(parts, body)
        document = parse(body)
        if isinstance(document, list) != (kind == JSON_PATCH):
            raise RefusedRequest(
                415,
                "not-supported",
                f"A JSON Patch is sent as {JSON_PATCH}, Parameters of a FHIRPath Patch as application/fhir+json.",
            )
        if_match = request.headers.get("if-match")
        asked = parts.request(base=base)
        return parts.intake.patch(asked, type_, id_, document, condition=condition, if_match=if_match)

    return _answer(request, base, await run_in_threadpool(write), part)


async def delete(request: Request, parts: Parts, base: str) -> Response:
    """Delete a resource; its versions can still be read. Deleting what is not there is no error."""
    return await _deleted(request, parts, base, str(request.path_params["id"]), None)


async def delete_found(request: Request, parts: Parts, base: str) -> Response:
    """Delete the one resource that the condition matches; none is no error, several are."""
    written_type(request)
    return await _deleted(request, parts, base, None, condition_of(request))


async def _deleted(request: Request, parts: Parts, base: str, id_: str | None, condition: str | None) -> Response:
    type_, if_match = written_type(request), request.headers.get("if-match")

    def write() -> Written:
        return parts.intake.delete(parts.request(base=base), type_, id_, condition=condition, if_match=if_match)

    written = await run_in_threadpool(write)
    tag = {} if written.version is None else {"ETag": etag(written.version)}
    if prefers(request, "return", "minimal") == "OperationOutcome":
        return Response(dump(outcome(said(written.receipt))), 200, tag, FHIR_JSON)
    return Response(status_code=204, headers=tag)


def refuse_lookups(parts: Parts, body: bytes) -> None:
    """Return nothing if the caller may search for what the conditional references of a body look up.

    Errors: RefusedRequest (403); UnreadableError.
    """
    if not parts.caller.whole and (b"?" in body or rb"\u" in body):
        parts.caller.require(looked_up(parse(body)))


def condition_of(request: Request) -> str:
    """Return the condition that the address gives.

    Errors: BadParameterError if there is none: a write to a whole type is never meant.
    """
    criteria = [(name, value) for name, value in request.query_params.multi_items() if name not in _GENERAL]
    if not criteria:
        raise BadParameterError(
            f"A {request.method} needs an id in its address, or a condition (identifier=system|value); got neither.",
            place="condition",
        )
    return urlencode(criteria)


def _refuse_other_id(resource: Any, type_: str, id_: str) -> None:
    """Return nothing if the resource's id is that of the address, or if it is no resource, which others say.

    Errors: RefusedRequest (400), as R4 wants it here.
    Source: http://hl7.org/fhir/R4/http.html#update
    """
    if isinstance(resource, dict) and resource.get("id") != id_:
        got = "none" if "id" not in resource else "another"
        sentence = f"The resource's id must be that of the address, {id_[:64]}; got {got}."
        raise RefusedRequest(400, "value", sentence, place=f"{type_}.id")


def _answer(request: Request, base: str, written: Written, part: Part | None) -> Response:
    version = written.version
    assert version is not None
    status = 201 if written.created else 200
    headers = {"Location": location(base, version)}
    form = prefers(request, "return", "representation")
    if form == "representation" and not caller_of(request).may(("r", version.type)):
        form = "minimal"
    match form:
        case "minimal":
            return VersionResponse(version, None, status, headers)
        case "OperationOutcome":
            return VersionResponse(version, dump(outcome(said(written.receipt))), status, headers)
        case _:
            body = version.body or b""
            return VersionResponse(version, body if part is None else part(body), status, headers)


def said(receipt: Receipt) -> list[Finding]:
    """Return what a receipt has to say, as information: what was read as which entry, what was not, and why."""
    return [one for found in said_of(receipt).values() for one in found] or [NOTHING]


def said_of(receipt: Receipt) -> Mapping[str, list[Finding]]:
    """Return what a receipt has to say of each resource."""
    found: defaultdict[str, list[Finding]] = defaultdict(list)

    def say(code: str, reference: str, sentence: str) -> None:
        found[reference].append(Finding("information", code, "informational", reference, sentence))

    for read in receipt.read:
        say("read-as-entry", read.reference, f"Read as the {read.kind} entry {read.entry}.")
    for unread in receipt.unread:
        say("unread", unread.reference, f"Stored, not read as an entry: {unread.reason}.")
    for ignored in receipt.ignored:
        say("ignored", ignored.reference, f"Not stored: {ignored.reason}")
    for finding in receipt.findings:
        found[finding.place].append(finding)
    return found


NOTHING = Finding("information", "written", "informational", "", "Nothing more to say.")
