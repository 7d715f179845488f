"""A Bundle sent to the root: a transaction, taken whole or not at all, or a batch, each entry for itself.

Source: HL7 FHIR R4 http.html#transaction, #brules, #trules.
"""

import base64
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, parameters, read_body, refuse_address, truth
from fhirmod.errors import BadParameterError, FhirmodError, InvalidError, NotSupportedError, TooLargeError
from fhirmod.exchange import PUBLISHED_TYPES
from fhirmod.intake import Asked, Written, relative
from fhirmod.r4 import parse
from fhirmod.store import Access, Reader

from .batch import batched
from .dispatching import needs_at, reading_at
from .entries import answered, response_bundle, written_entry
from .headers import prefers
from .inner import inner_request
from .reaching import looked_up
from .reading import CONTROL, read_only
from .subsetting import SUBSETTING
from .writing import said_of


async def bundle(request: Request, parts: Parts, base: str) -> Response:
    """Take a transaction whole or nothing of it, or a batch, each entry for itself."""
    dry_run = truth(parameters(request, CONTROL | SUBSETTING | {"dryRun"}), "dryRun")
    body = await read_body(request, parts)
    parsed = await run_in_threadpool(parse, body)
    _refuse_many(parsed, parts.settings.most_per_bundle, base)
    if not isinstance(parsed, Mapping) or (parsed.get("resourceType"), parsed.get("type")) != ("Bundle", "batch"):
        return await run_in_threadpool(_transaction, request, parts, base, body, parsed, dry_run=dry_run)
    if dry_run:
        raise BadParameterError("The parameter dryRun is for a transaction; this is a batch.", place="dryRun")
    return await batched(request, parsed, body, base)


def _transaction(request: Request, parts: Parts, base: str, body: bytes, parsed: Any, *, dry_run: bool) -> Response:
    def answer(reader: Reader, asked: Asked) -> Response:
        reading, named = reading_at(f"/{asked.url.partition('?')[0]}")
        inner = inner_request(request, asked.method, asked.url, asked.request, named)
        refuse_address(inner)
        if (type_ := named.get("type")) in PUBLISHED_TYPES:
            return parts.store_of(type_).read(lambda shelf: reading(inner, parts, base, shelf))
        return reading(inner, parts, base, reader)

    _refuse_beyond(parts, parsed, base)
    asking = parts.request(dry_run=dry_run, base=base)
    if not asking.access.allows("write") and _only_reads(parsed):
        asking = replace(asking, access=Access(asking.access.who, frozenset(("read", "write"))))  # takes locks only
    results, receipt = parts.intake.bundle(asking, body, parsed, answer)
    about = said_of(receipt)
    form = prefers(request, "return", "minimal")

    def form_of(one: Written) -> str:
        seen = form != "representation" or parts.caller.may(("r", one.reference.partition("/")[0]))
        return form if seen else "minimal"

    methods = [entry["request"]["method"] for entry in parsed.get("entry", ())]
    entries = [
        written_entry(base, one, about, form_of(one)) if isinstance(one, Written) else answered(method, one)
        for method, one in zip(methods, results, strict=True)
    ]
    return response_bundle("transaction-response", entries)


def _only_reads(bundle: Mapping[str, Any]) -> bool:
    entries = bundle.get("entry")
    asked = [one.get("request") for one in entries if isinstance(one, Mapping)] if isinstance(entries, list) else []
    return all(isinstance(one, Mapping) and one.get("method") in ("GET", "HEAD") for one in asked)


def _refuse_beyond(parts: Parts, bundle: Mapping[str, Any], base: str) -> None:
    """Return nothing if the caller may do what each entry of a transaction asks, else the whole is refused.

    Errors: RefusedRequest (403) naming the entry.
    """
    entries = bundle.get("entry")
    for number, entry in enumerate(entries if isinstance(entries, list) and not parts.caller.whole else ()):
        asked = entry.get("request") if isinstance(entry, Mapping) else None
        if isinstance(asked, Mapping):
            url = relative(str(asked.get("url")), base)
            needs = [*needs_at(str(asked.get("method")), url), *looked_up(_plain(entry.get("resource")))]
            if "ifNoneExist" in asked:
                needs += [("s", url.partition("?")[0].strip("/"))]
            parts.caller.require(needs, place=f"Bundle.entry[{number}]")


def _plain(resource: Any) -> Any:
    """Return the resource of an entry, or the JSON Patch that it carries in base64."""
    if isinstance(resource, Mapping) and resource.get("resourceType") == "Binary":
        try:
            return parse(base64.b64decode(str(resource.get("data", ""))))
        except (ValueError, FhirmodError):
            return None  # refused by the intake, which says why
    return resource


def _refuse_many(parsed: Any, most: int, base: str) -> None:
    """Return nothing if this is a Bundle with no more entries than are taken at once.

    Errors: InvalidError if it is no Bundle of one of the two types; TooLargeError; NotSupportedError for a write of
            what is published.
    """
    if not isinstance(parsed, Mapping) or parsed.get("resourceType") != "Bundle":
        raise InvalidError("The body must be a Bundle of type transaction or batch.", place="resourceType")
    if parsed.get("type") not in ("transaction", "batch"):
        raise InvalidError("The Bundle's type must be transaction or batch.", place="Bundle.type")
    entries = parsed.get("entry")
    if parsed["type"] == "transaction" and isinstance(entries, list):
        for number, entry in enumerate(entries):
            _refuse_published(entry, f"Bundle.entry[{number}].request.url", base)
    if isinstance(entries, list) and len(entries) > most:
        raise TooLargeError(
            f"A Bundle takes at most {most} entries; got {len(entries)}. Send it in parts.", place="Bundle.entry"
        )


def _refuse_published(entry: Any, place: str, base: str) -> None:
    """Return nothing unless an entry writes what is published with this software.

    Errors: NotSupportedError.
    """
    request = entry.get("request") if isinstance(entry, Mapping) else None
    if isinstance(request, Mapping) and request.get("method") not in ("GET", "HEAD"):
        resource = entry.get("resource")
        for type_ in (
            relative(str(request.get("url")), base).partition("?")[0].partition("/")[0],
            str(resource.get("resourceType")) if isinstance(resource, Mapping) else "",
        ):
            if type_ in PUBLISHED_TYPES:
                raise NotSupportedError(read_only(type_), place=place)
