"""Search by every parameter that the store answers, with pages that stay stable while others write.

What each parameter asks is said by `intake.criterion`.
"""

from collections.abc import Sequence
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, choice, number
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, InvalidError, NotSupportedError
from fhirmod.intake import Asking, answered, criterion, merged, orders, refuse_broad, unknown
from fhirmod.r4 import alternatives, dump
from fhirmod.store import Order, Page, Reader, Version

from .headers import strict
from .including import INCLUDES, Included, includes
from .reaching import searched_beyond
from .reading import known_type
from .subsetting import SUBSETTING, subsetting

MOST_CRITERIA, MOST_ALTERNATIVES = 10, 200
CONTROL = frozenset({"_count", "_after", "_format", "_pretty", "_sort", "_total", *INCLUDES}) | SUBSETTING
_KEPT = SUBSETTING | {"_total"}  # stand in the links as they were asked


def searchable(type_: str) -> tuple[str, ...]:
    """Return the search parameters that this service answers for a type."""
    return tuple(sorted(answered(type_)))


def search(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give a page of the resources that meet every criterion; `self` lists what was applied."""
    type_ = known_type(request)
    query = request.query_params
    parts.caller.require(searched_beyond(type_, query.multi_items()))
    applied = [one for one in query.multi_items() if _is_criterion(type_, one[0], strict=strict(request))]
    _refuse_unanswerable(applied)
    asking = Asking(base, parts.clock.now())
    criteria = merged(type_, [criterion(type_, name, value, asking) for name, value in applied])
    refuse_broad(criteria)
    sorted_by, order = _order(type_, query.getlist("_sort"), strict=strict(request))
    brought = includes(query.multi_items(), strict=strict(request))
    part = subsetting(query, count=True)
    count = number(query, "_count", parts.settings.page, parts.settings.most_per_page)
    if query.get("_summary") == "count":
        count = 0
    asked = choice(query, "_total", ("none", "estimate", "accurate"))
    counted = True if count == 0 else None if asked is None else asked != "none"
    after = query.get("_after")
    try:
        page = reader.search(
            parts.request().access, type_, criteria, orders=order, after=after, count=count, counted=counted
        )
    except InvalidError as wrong:  # the cursor is a parameter here, and a wrong parameter is 400
        raise BadParameterError(str(wrong), place="_after") from None
    also = Included(reader, parts.request().access, base).of(page.versions, [one for _, one in brought])
    applied += sorted_by
    applied += [one for one, _ in brought]
    applied += [(name, value) for name, value in query.multi_items() if name in _KEPT]
    if part is not None:
        page = page._replace(versions=[one._replace(body=part(one.body or b"")) for one in page.versions])
        also = [one._replace(body=part(one.body or b"")) for one in also]
    return Response(_bundle(base, type_, applied, page, also, count, after), media_type=FHIR_JSON)


def _is_criterion(type_: str, name: str, *, strict: bool) -> bool:
    """Return whether a parameter narrows the search: one that is known, a chain, or `_has`.

    Errors: NotSupportedError for one that is not known, if the client is strict; what is known with a modifier, or
            leads on, is never left out: less would be asked than was meant.
    """
    if name in CONTROL:
        return False
    if name.startswith("_has:") or name.partition(":")[0].partition(".")[0] in answered(type_):
        return True
    if strict:
        raise unknown(type_, name)
    return False


def _order(type_: str, asked: list[str], *, strict: bool) -> tuple[list[tuple[str, str]], tuple[Order, ...]]:
    """Return `_sort` as it is applied, and its orders.

    Errors: NotSupportedError for what a type is not sorted by, if the client is strict; else nothing is sorted.
    """
    text = ",".join(asked)
    try:
        return ([("_sort", text)], orders(type_, text)) if text else ([], ())
    except NotSupportedError:
        if strict:
            raise
        return [], ()


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
