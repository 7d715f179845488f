"""Search by every parameter that the store answers, with pages that stay stable while others write.

What is asked is said by `understanding`; this gives the page.
"""

from collections.abc import Sequence
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, choice, number
from api.problems import FHIR_JSON, RefusedRequest, outcome
from fhirmod.errors import BadParameterError, InvalidError
from fhirmod.intake import Asking, merged, referring
from fhirmod.r4 import compartment_parameters, compartments, dump
from fhirmod.store import Criterion, Page, Reader, Sought, Version

from .headers import strict
from .including import Included
from .reaching import reached
from .reading import ID, known_type
from .subsetting import subsetting
from .understanding import Understood, understood


def search(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give a page of the resources that meet every criterion; `self` lists what was applied."""
    type_ = known_type(request)
    return _found(request, parts, base, reader, type_, type_, [])


def search_compartment(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give a page of the resources of a type that are in the compartment of a Patient, Encounter or another.

    Source: http://hl7.org/fhir/R4/search.html#2.1.1.2, compartmentdefinition.html (any of its parameters puts one in)
    """
    if request.path_params["type"] == "*":
        raise RefusedRequest(404, "not-supported", "A search is of one type here; $everything gives all of a Patient.")
    type_ = known_type(request)
    of, id_ = str(request.path_params["compartment"]), str(request.path_params["id"])
    names = compartment_parameters(of, type_) if of in compartments() else ()
    if of != type_ and not names:
        raise RefusedRequest(404, "not-supported", f"No {type_} is in a compartment {of[:40]!r} of R4.")
    if not ID.fullmatch(id_):  # it would stand in the links as it came
        raise RefusedRequest(
            404, "not-found", f"No {of} has such an id; ids are 1 to 64 of A-Z, a-z, 0-9, - and . alone."
        )
    own = of == type_  # the one that the compartment is named for; of those linked to it `$everything` tells
    within = Sought(("_id",), ((("text", "=", id_),),)) if own else referring(type_, names, [(of, id_)])
    return _found(request, parts, base, reader, type_, f"{of}/{id_}/{type_}", [within])


def _found(
    request: Request, parts: Parts, base: str, reader: Reader, type_: str, address: str, within: list[Criterion]
) -> Response:
    query, access = request.query_params, parts.request().access
    asking = Asking(base, parts.clock.now())
    asked = understood(type_, query.multi_items(), asking, strict=strict(request))
    parts.caller.require(reached(asked))
    part = subsetting(query, count=True)
    count = number(query, "_count", parts.settings.page, parts.settings.most_per_page)
    if query.get("_summary") == "count":
        count = 0
    total = choice(query, "_total", ("none", "estimate", "accurate"))
    counted = True if count == 0 else None if total is None else total != "none"
    after = query.get("_after")
    criteria = merged(type_, [*within, *asked.criteria])
    try:
        page = reader.search(access, type_, criteria, orders=asked.orders, after=after, count=count, counted=counted)
    except InvalidError as wrong:  # the cursor is a parameter here, and a wrong parameter is 400
        raise BadParameterError(str(wrong), place="_after") from None
    also = Included(reader, access, base).of(page.versions, asked.brought)
    if part is not None:
        page = page._replace(versions=[one._replace(body=part(one.body or b"")) for one in page.versions])
    if part is not None and "_elements" not in query:  # its elements are those of the matches alone
        also = [one._replace(body=part(one.body or b"")) for one in also]
    return Response(_bundle(base, address, asked, page, also, count, after), media_type=FHIR_JSON)


def _bundle(
    base: str, address: str, asked: Understood, page: Page, also: Sequence[Version], count: int, after: str | None
) -> bytes:
    here = [*asked.applied, ("_count", str(count)), *([("_after", after)] if after else [])]
    links = [{"relation": "self", "url": f"{base}/{address}?{urlencode(here)}"}]
    if page.next is not None:  # it keeps what is not applied too, so that every page says so
        given = [*asked.applied, *(one.pair for one in asked.ignored)]
        following = [*given, ("_count", str(count)), ("_after", page.next)]
        links.append({"relation": "next", "url": f"{base}/{address}?{urlencode(following)}"})
    said = {} if page.total is None else {"total": page.total}
    head = dump({"resourceType": "Bundle", "type": "searchset", **said, "link": links})
    entries = [_entry(base, one, "match") for one in page.versions] + [_entry(base, one, "include") for one in also]
    if asked.ignored and count:  # a count has no entries
        entries.append(dump({"resource": outcome(asked.findings()), "search": {"mode": "outcome"}}))
    return head[:-1] + b',"entry":[' + b",".join(entries) + b"]}" if entries else head


def _entry(base: str, version: Version, mode: str) -> bytes:
    address, resource = dump(f"{base}/{version.type}/{version.id}"), version.body or b""
    return b'{"fullUrl":' + address + b',"resource":' + resource + b',"search":{"mode":' + dump(mode) + b"}}"
