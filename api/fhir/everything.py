"""$everything of a Patient or an Encounter, in pages that stay stable while others write.

Source: http://hl7.org/fhir/R4/patient-operation-everything.html, encounter-operation-everything.html
"""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Literal
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, instant, number, parameters
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError
from fhirmod.exchange import Item, Place, Wanted, everything
from fhirmod.r4 import KNOWN_TYPES, dump, span
from fhirmod.store import Reader

from .operating import as_get
from .reading import CONTROL, living

_OF_ENCOUNTER = CONTROL | {"_since", "_type", "_count", "_after"}
_OF_PATIENT = _OF_ENCOUNTER | {"start", "end"}
_CURSOR = re.compile(r"([0-9]{1,18})-([01])-([A-Za-z]{1,64}/[A-Za-z0-9\-.]{1,64})", re.ASCII)
_KEPT = ("start", "end", "_since", "_type", *sorted(CONTROL))


async def everything_of_patient(request: Request, parts: Parts, base: str) -> Response:
    """Give everything of a woman: her compartment, all that was merged with her, and what these refer to."""
    asked = _once_typed(await as_get(request, parts))
    return await run_in_threadpool(_given, asked, parts, base, "Patient")


async def everything_of_encounter(request: Request, parts: Parts, base: str) -> Response:
    """Give everything of an Encounter: its compartment and what that refers to."""
    asked = _once_typed(await as_get(request, parts))
    return await run_in_threadpool(_given, asked, parts, base, "Encounter")


def _once_typed(request: Request) -> Request:
    """Return the request with `_type`, which alone may be repeated, written once."""
    asked = request.query_params.multi_items()
    types = [value for name, value in asked if name == "_type"]
    others = [(name, value) for name, value in asked if name != "_type"]
    joined = [("_type", ",".join(types))] if types else []
    return Request({**request.scope, "query_string": urlencode([*others, *joined]).encode("ascii")})


def _given(request: Request, parts: Parts, base: str, kind: Literal["Patient", "Encounter"]) -> Response:
    id_, access = str(request.path_params["id"]), parts.request().access
    query = parameters(request, _OF_PATIENT if kind == "Patient" else _OF_ENCOUNTER)
    count = number(query, "_count", parts.settings.page, parts.settings.most_per_page)
    wanted = Wanted(
        start=_day(query, "start", 0), end=_day(query, "end", 1), since=instant(query, "_since"), types=_types(query)
    )
    after = _after(query)

    def gather(reader: Reader) -> list[Item]:
        return everything(reader, access, kind, living(kind, id_, reader.get(access, kind, id_)), base, wanted)

    items = parts.intake.store.read(gather)
    ahead = [one for one in items if after is None or one.place > after]
    page = ahead[:count]
    kept = [(name, query[name]) for name in _KEPT if name in query] + [("_count", str(count))]
    here = [("_after", query["_after"])] if "_after" in query else []
    address = f"{base}/{kind}/{id_}/$everything?"
    links = [{"relation": "self", "url": address + urlencode(kept + here)}]
    if page and len(ahead) > count:
        links.append({"relation": "next", "url": address + urlencode([*kept, ("_after", _cursor(page[-1].place))])})
    total = sum(not one.place.referred for one in items)
    return Response(_bundle(base, total, links, page), media_type=FHIR_JSON)


def _bundle(base: str, total: int, links: Sequence[dict[str, str]], page: Sequence[Item]) -> bytes:
    head = dump({"resourceType": "Bundle", "type": "searchset", "total": total, "link": links})
    entries = (
        b'{"fullUrl":%b,"resource":%b,"search":{"mode":"%b"}}'
        % (dump(f"{base}/{place.reference}"), version.body or b"", b"include" if place.referred else b"match")
        for place, version in page
    )
    return head[:-1] + b',"entry":[' + b",".join(entries) + b"]}" if page else head


def _day(query: dict[str, str], name: str, end: int) -> datetime | None:
    """Return an end of the range that a date means; a date is read in UTC.

    Errors: BadParameterError if it is no date of R4.
    """
    if name not in query:
        return None
    found = span(query[name]) if "T" not in query[name] else None
    if found is None:
        raise BadParameterError(
            f"The parameter {name} must be a date such as 2026-03-01; got {query[name][:20]!r}.", place=name
        )
    return found[end]


def _types(query: dict[str, str]) -> frozenset[str]:
    found = [one.strip() for one in query.get("_type", "").split(",")] if "_type" in query else []
    for one in found:
        if one not in KNOWN_TYPES:
            raise BadParameterError(f"The parameter _type names types of R4; got {one[:40]!r}.", place="_type")
    return frozenset(found)


def _cursor(place: Place) -> str:
    return f"{place.lead}-{int(place.referred)}-{place.reference}"


def _after(query: dict[str, str]) -> Place | None:
    """Return the place that a page follows.

    Errors: BadParameterError if the cursor is not one of ours.
    """
    if "_after" not in query:
        return None
    match = _CURSOR.fullmatch(query["_after"])
    if match is None:
        raise BadParameterError(
            f"The page cursor {query['_after'][:40]!r} is not one of ours; follow the link 'next' of the page before, "
            "unchanged.",
            place="_after",
        )
    return Place(int(match[1]), match[2] == "1", match[3])
