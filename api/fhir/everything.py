"""$everything of a Patient or an Encounter, in pages that stay stable while others write.

Source: http://hl7.org/fhir/R4/patient-operation-everything.html, encounter-operation-everything.html
"""

import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any, Literal
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, instant
from api.problems import FHIR_JSON, outcome
from fhirmod.errors import BadParameterError, Finding
from fhirmod.exchange import Item, Place, Wanted, everything
from fhirmod.r4 import KNOWN_TYPES, dump, span
from fhirmod.store import Reader

from .asked import Kinds, asked_of
from .reading import CONTROL, living

Asked = Mapping[str, Any]
_OF_ENCOUNTER: Kinds = {"_since": "instant", "_type": "code*", "_count": "integer", "_after": "string"}
_OF_PATIENT: Kinds = {"start": "date", "end": "date", **_OF_ENCOUNTER}
_CURSOR = re.compile(r"([0-9]{1,18})-([01])-([A-Za-z]{1,64}/[A-Za-z0-9\-.]{1,64})", re.ASCII)
_KEPT = ("start", "end", "_since", "_type")
_LEFT_OUT = "Only what the token may read is given; left out is what is not of these types: "


async def everything_of_patient(request: Request, parts: Parts, base: str) -> Response:
    """Give everything of a woman: her compartment, all that was merged with her, and what these refer to."""
    asked = await asked_of(request, parts, _OF_PATIENT, frozenset())
    return await run_in_threadpool(_given, request, parts, base, "Patient", asked)


async def everything_of_encounter(request: Request, parts: Parts, base: str) -> Response:
    """Give everything of an Encounter: its compartment and what that refers to."""
    asked = await asked_of(request, parts, _OF_ENCOUNTER, frozenset())
    return await run_in_threadpool(_given, request, parts, base, "Encounter", asked)


def _given(request: Request, parts: Parts, base: str, kind: Literal["Patient", "Encounter"], asked: Asked) -> Response:
    id_, access, caller = str(request.path_params["id"]), parts.request().access, parts.caller
    count = min(asked.get("_count", parts.settings.page), parts.settings.most_per_page)
    types = _types(asked)
    caller.require([("r", one) for one in sorted(types)], place="_type")
    seen = frozenset(one for one in KNOWN_TYPES if caller.may(("r", one)))
    wanted = Wanted(
        start=_day(asked, "start", 0), end=_day(asked, "end", 1), since=instant(asked, "_since"), types=types, seen=seen
    )
    after = _after(asked)

    def gather(reader: Reader) -> list[Item]:
        return everything(reader, access, kind, living(kind, id_, reader.get(access, kind, id_)), base, wanted)

    items = parts.intake.store.read(gather)
    ahead = [one for one in items if after is None or one.place > after]
    page = ahead[:count]
    kept = [(name, ",".join(asked[name]) if name == "_type" else asked[name]) for name in _KEPT if name in asked]
    kept += [one for one in request.query_params.multi_items() if one[0] in CONTROL]
    kept.append(("_count", str(count)))
    here = [("_after", asked["_after"])] if "_after" in asked else []
    address = f"{base}/{kind}/{id_}/$everything?"
    links = [{"relation": "self", "url": address + urlencode(kept + here)}]
    if page and len(ahead) > count:
        links.append({"relation": "next", "url": address + urlencode([*kept, ("_after", _cursor(page[-1].place))])})
    total = sum(not one.place.referred for one in items)
    told = [] if types or seen == KNOWN_TYPES else [_left_out(seen)]
    return Response(_bundle(base, total, links, page, told), media_type=FHIR_JSON)


def _left_out(seen: frozenset[str]) -> Finding:
    return Finding("warning", "not-granted", "suppressed", "", f"{_LEFT_OUT}{', '.join(sorted(seen))}.")


def _bundle(
    base: str, total: int, links: Sequence[dict[str, str]], page: Sequence[Item], told: Sequence[Finding]
) -> bytes:
    head = dump({"resourceType": "Bundle", "type": "searchset", "total": total, "link": links})
    entries = [
        b'{"fullUrl":%b,"resource":%b,"search":{"mode":"%b"}}'
        % (dump(f"{base}/{place.reference}"), version.body or b"", b"include" if place.referred else b"match")
        for place, version in page
    ]
    if told:
        entries.append(dump({"resource": outcome(told), "search": {"mode": "outcome"}}))
    return head[:-1] + b',"entry":[' + b",".join(entries) + b"]}" if entries else head


def _day(asked: Asked, name: str, end: int) -> datetime | None:
    """Return an end of the range that a date means; a date is read in UTC.

    Errors: BadParameterError if it is no date of R4.
    """
    if name not in asked:
        return None
    found = span(asked[name]) if "T" not in asked[name] else None
    if found is None:
        raise BadParameterError(
            f"The parameter {name} must be a date such as 2026-03-01; got {asked[name][:20]!r}.", place=name
        )
    return found[end]


def _types(asked: Asked) -> frozenset[str]:
    found: list[str] = asked.get("_type", [])
    for one in found:
        if one not in KNOWN_TYPES:
            raise BadParameterError(f"The parameter _type names types of R4; got {one[:40]!r}.", place="_type")
    return frozenset(found)


def _cursor(place: Place) -> str:
    return f"{place.lead}-{int(place.referred)}-{place.reference}"


def _after(asked: Asked) -> Place | None:
    """Return the place that a page follows.

    Errors: BadParameterError if the cursor is not one of ours.
    """
    if "_after" not in asked:
        return None
    match = _CURSOR.fullmatch(asked["_after"])
    if match is None:
        raise BadParameterError(
            f"The page cursor {asked['_after'][:40]!r} is not one of ours; follow the link 'next' of the page before, "
            "unchanged.",
            place="_after",
        )
    return Place(int(match[1]), match[2] == "1", match[3])
