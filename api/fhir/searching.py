"""Search by `_id`, `identifier` and `patient`, with pages that stay stable while others write."""

import re
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, number
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, InvalidError, NotSupportedError
from fhirmod.intake import SEARCHED
from fhirmod.r4 import dump, search_parameters
from fhirmod.store import Page, Reader

from .headers import prefers
from .reading import known_type

_COMMA = re.compile(r"(?<!\\)(?:\\\\)*,")
MOST_CRITERIA, MOST_ALTERNATIVES = 10, 200
CONTROL = frozenset({"_count", "_after", "_format"})


def searchable(type_: str) -> tuple[str, ...]:
    """Return the search parameters that this service answers for a type."""
    answered = search_parameters(type_)
    return ("_id", *(name for name in SEARCHED if name in answered))


async def search(request: Request, parts: Parts, base: str) -> Response:
    """Give a page of the resources that meet every criterion; `self` lists what was applied."""
    type_ = known_type(request)
    allowed = searchable(type_)
    strict = prefers(request, "handling", "lenient") == "strict"
    applied: list[tuple[str, str]] = []
    for name, value in request.query_params.multi_items():
        if name in allowed:
            applied.append((name, value))
        elif name not in CONTROL:
            plain, modifier = name.partition(":")[::2]
            if strict or (modifier and plain in allowed):
                raise NotSupportedError(
                    f"{type_} is not searched by {name[:40]!r} here; it is by {', '.join(allowed)}.", place=name[:40]
                )
    _refuse_too_much(applied)
    count = number(request.query_params, "_count", parts.settings.page, parts.settings.most_per_page)
    ids = [set(_alternatives(value)) for name, value in applied if name == "_id"]
    tokens = [
        ("identifier", [_token(one) for one in _alternatives(value)]) for name, value in applied if name == "identifier"
    ]
    patients = [
        ("patient", "Patient", [_patient(one, base) for one in _alternatives(value)])
        for name, value in applied
        if name == "patient"
    ]
    access = parts.request().access
    after = request.query_params.get("_after")

    def find(reader: Reader) -> Page:
        wanted = sorted(set.intersection(*ids)) if ids else None
        return reader.search(access, type_, ids=wanted, tokens=tokens, references=patients, after=after, count=count)

    try:
        page = await run_in_threadpool(parts.intake.store.read, find)
    except InvalidError as wrong:  # the cursor is a parameter here, and a wrong parameter is 400
        raise BadParameterError(str(wrong), place="_after") from None
    return Response(_bundle(base, type_, applied, page, count, after), media_type=FHIR_JSON)


def _refuse_too_much(applied: list[tuple[str, str]]) -> None:
    """Return nothing if the search is of a size that one statement can answer.

    Errors: BadParameterError if it has too many criteria or alternatives.
    """
    alternatives = sum(len(_alternatives(value)) for _, value in applied)
    if len(applied) > MOST_CRITERIA or alternatives > MOST_ALTERNATIVES:
        raise BadParameterError(
            f"A search takes at most {MOST_CRITERIA} criteria with {MOST_ALTERNATIVES} alternatives in all; "
            f"got {len(applied)} with {alternatives}."
        )


def _bundle(base: str, type_: str, applied: list[tuple[str, str]], page: Page, count: int, after: str | None) -> bytes:
    here = [*applied, ("_count", str(count)), *([("_after", after)] if after else [])]
    links = [{"relation": "self", "url": f"{base}/{type_}?{urlencode(here)}"}]
    if page.next is not None:
        following = [*applied, ("_count", str(count)), ("_after", page.next)]
        links.append({"relation": "next", "url": f"{base}/{type_}?{urlencode(following)}"})
    head = dump({"resourceType": "Bundle", "type": "searchset", "total": page.total, "link": links})
    if not page.versions:
        return head
    entries = (
        b'{"fullUrl":'
        + dump(f"{base}/{one.type}/{one.id}")
        + b',"resource":'
        + (one.body or b"")
        + b',"search":{"mode":"match"}}'
        for one in page.versions
    )
    return head[:-1] + b',"entry":[' + b",".join(entries) + b"]}"


def _alternatives(value: str) -> list[str]:
    """Return the alternatives of a parameter; a comma behind a backslash is no separator."""
    parts, start = [], 0
    for found in _COMMA.finditer(value):
        parts.append(value[start : found.end() - 1])
        start = found.end()
    parts.append(value[start:])
    return [re.sub(r"\\([\\,$|])", r"\1", part) if "|" not in part else part for part in parts if part]


def _token(value: str) -> tuple[str | None, str]:
    """Return (system or None for any, value) of ``value``, ``system|value`` or ``|value``.

    Errors: BadParameterError for ``system|``, which asks for every identifier of a system.
    """
    plain = re.sub(r"\\\\", "\0", value)
    found = re.search(r"(?<!\\)\|", plain)
    if found is None:
        return None, _unescaped(plain)
    system, code = _unescaped(plain[: found.start()]), _unescaped(plain[found.end() :])
    if not code:
        raise BadParameterError("A search by identifier needs a value behind the bar.", place="identifier")
    return system, code


def _unescaped(text: str) -> str:
    return re.sub(r"\\([,$|])", r"\1", text).replace("\0", "\\")


def _patient(value: str, base: str) -> str:
    """Return the id of ``id``, ``Patient/id`` or this service's own absolute URL.

    Errors: BadParameterError for anything else.
    """
    plain = value.removeprefix(f"{base}/").removeprefix("Patient/")
    if "/" in plain:
        raise BadParameterError(
            "A search by patient takes an id, Patient/id, or an address of this service.", place="patient"
        )
    return plain
