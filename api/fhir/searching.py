"""Search by every parameter that the store answers, with pages that stay stable while others write.

`_id`, `identifier` and `patient` have an index of their own; what the others ask is said by `intake.sought`.
"""

from collections.abc import Sequence
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, choice, number
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, InvalidError, NotSupportedError
from fhirmod.intake import SEARCHED, Asking, sought, sought_parameters
from fhirmod.mapping import searches
from fhirmod.r4 import alternatives, dump, token, unescaped
from fhirmod.store import Page, Reader, Version

from .headers import strict
from .including import INCLUDES, Included, includes
from .reaching import searched_beyond
from .reading import known_type
from .subsetting import SUBSETTING, subsetting

_PLAIN = frozenset(("_id", "identifier"))  # these take no modifier
MOST_CRITERIA, MOST_ALTERNATIVES = 10, 200
CONTROL = frozenset({"_count", "_after", "_format", "_pretty", "_total", *INCLUDES}) | SUBSETTING
_KEPT = SUBSETTING | {"_total"}  # stand in the links as they were asked


def searchable(type_: str) -> tuple[str, ...]:
    """Return the search parameters that this service answers for a type."""
    answered = searches(type_)
    own = ("_id", *(name for name in SEARCHED if name in answered))
    return (*own, *(name for name in sought_parameters(type_) if name not in own))


def search(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give a page of the resources that meet every criterion; `self` lists what was applied."""
    type_ = known_type(request)
    parts.caller.require(searched_beyond(type_, request.query_params.multi_items()))
    allowed = frozenset(searchable(type_))
    applied: list[tuple[str, str]] = []
    for name, value in request.query_params.multi_items():
        plain, modifier = name.partition(":")[::2]
        if name in allowed or (plain in allowed - _PLAIN and modifier):
            applied.append((name, value))
        elif name not in CONTROL and (strict(request) or (modifier and plain in allowed)):
            raise NotSupportedError(
                f"{type_} is not searched by {name[:40]!r} here; it is by {', '.join(sorted(allowed))}.",
                place=name[:40],
            )
    _refuse_unanswerable(applied)
    query = request.query_params
    brought = includes(query.multi_items(), strict=strict(request))
    part = subsetting(query, count=True)
    count = number(query, "_count", parts.settings.page, parts.settings.most_per_page)
    if query.get("_summary") == "count":
        count = 0
    counted = choice(query, "_total", ("none", "estimate", "accurate")) != "none" or count == 0
    asking = Asking(base, parts.clock.now())
    values = [
        sought(type_, *name.partition(":")[::2], value, asking)
        for name, value in applied
        if name not in ("_id", "identifier", "patient")
    ]
    asked = [(name, alternatives(value)) for name, value in applied]
    ids = [set(map(unescaped, each)) for name, each in asked if name == "_id"]
    tokens = [(name, list(map(_token, each))) for name, each in asked if name == "identifier"]
    patients = [(name, "Patient", [_patient(one, base) for one in each]) for name, each in asked if name == "patient"]
    after = query.get("_after")
    wanted = sorted(set.intersection(*ids)) if ids else None
    try:
        page = reader.search(
            parts.request().access,
            type_,
            ids=wanted,
            tokens=tokens,
            references=patients,
            values=values,
            after=after,
            count=count,
            counted=counted,
        )
    except InvalidError as wrong:  # the cursor is a parameter here, and a wrong parameter is 400
        raise BadParameterError(str(wrong), place="_after") from None
    also = Included(reader, parts.request().access, base).of(page.versions, [one for _, one in brought])
    applied += [asked for asked, _ in brought]
    applied += [(name, value) for name, value in query.multi_items() if name in _KEPT]
    if part is not None:
        page = page._replace(versions=[one._replace(body=part(one.body or b"")) for one in page.versions])
        also = [one._replace(body=part(one.body or b"")) for one in also]
    return Response(_bundle(base, type_, applied, page, also, count, after), media_type=FHIR_JSON)


def _refuse_unanswerable(applied: list[tuple[str, str]]) -> None:
    """Return nothing if every criterion asks for something and one statement can answer them all.

    A criterion without a value is no search for everything: someone's patient parameter may have stayed empty.
    Errors: BadParameterError if one has no value, or there are too many criteria or alternatives.
    """
    counts = [len(alternatives(value)) for _, value in applied]
    if 0 in counts:
        name = applied[counts.index(0)][0]
        raise BadParameterError(f"The parameter {name} needs a value; got none.", place=name)
    if len(applied) > MOST_CRITERIA or sum(counts) > MOST_ALTERNATIVES:
        raise BadParameterError(
            f"A search takes at most {MOST_CRITERIA} criteria with {MOST_ALTERNATIVES} alternatives in all; "
            f"got {len(applied)} with {sum(counts)}."
        )


def _bundle(
    base: str,
    type_: str,
    applied: list[tuple[str, str]],
    page: Page,
    also: Sequence[Version],
    count: int,
    after: str | None,
) -> bytes:
    here = [*applied, ("_count", str(count)), *([("_after", after)] if after else [])]
    links = [{"relation": "self", "url": f"{base}/{type_}?{urlencode(here)}"}]
    if page.next is not None:
        following = [*applied, ("_count", str(count)), ("_after", page.next)]
        links.append({"relation": "next", "url": f"{base}/{type_}?{urlencode(following)}"})
    said = {} if page.total is None else {"total": page.total}
    head = dump({"resourceType": "Bundle", "type": "searchset", **said, "link": links})
    if not page.versions:
        return head
    entries = [_entry(base, one, "match") for one in page.versions] + [_entry(base, one, "include") for one in also]
    return head[:-1] + b',"entry":[' + b",".join(entries) + b"]}"


def _entry(base: str, version: Version, mode: str) -> bytes:
    address, resource = dump(f"{base}/{version.type}/{version.id}"), version.body or b""
    return b'{"fullUrl":' + address + b',"resource":' + resource + b',"search":{"mode":' + dump(mode) + b"}}"


def _token(value: str) -> tuple[str | None, str | None]:
    """Return (system, value) of ``value``, ``system|value``, ``|value`` or ``system|``.

    Errors: BadParameterError for a bar alone.
    """
    system, code = token(value)
    if not system and code is None:
        raise BadParameterError("A search by identifier needs a system or a value beside the bar.", place="identifier")
    return system, code


def _patient(value: str, base: str) -> str:
    """Return the id of ``id``, ``Patient/id`` or this service's own absolute URL.

    Errors: BadParameterError for anything else.
    """
    plain = unescaped(value).removeprefix(f"{base}/").removeprefix("Patient/")
    if "/" in plain:
        raise BadParameterError(
            "A search by patient takes an id, Patient/id, or an address of this service.", place="patient"
        )
    return plain
