"""history of a resource, of a type, of everything: every version, last written first, deletions too.

Source: HL7 FHIR R4 http.html#history. A date of `_at` without an offset is read in UTC.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from starlette.datastructures import QueryParams
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, instant, number, refuse_twice
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, NotFoundError
from fhirmod.r4 import dump, span
from fhirmod.store import Past, Reader, Version

from .headers import etag
from .reading import CONTROL, known_type, refuse_unknown
from .subsetting import SUBSETTING, subsetting

_ASKED = ("_since", "_at")
_APPLIED = CONTROL | SUBSETTING | {*_ASKED, "_count", "_after"}
_STATUS = {"POST": "201 Created", "PUT": "200 OK", "DELETE": "204 No Content"}


def history_instance(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give the versions of a resource, last written first; 404 if there never was one."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    access = parts.request().access
    total = reader.versions(access, type_, id_)
    if total == 0:
        raise NotFoundError(f"{type_}/{id_[:64]} was never here.", place=type_)
    whole = not any(name in request.query_params for name in _ASKED)
    return _given(request, parts, base, reader, (type_, id_), total if whole else None)


def history_type(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give the versions of all resources of a type, last written first."""
    return _given(request, parts, base, reader, (known_type(request),), None)


def history_system(request: Request, parts: Parts, base: str, reader: Reader) -> Response:
    """Give the versions of all resources, last written first."""
    return _given(request, parts, base, reader, (), None)


def _given(
    request: Request, parts: Parts, base: str, reader: Reader, of: tuple[str, ...], total: int | None
) -> Response:
    refuse_unknown(request, _APPLIED)
    query = request.query_params
    refuse_twice(query.multi_items(), _APPLIED)
    part = subsetting(query)
    count = number(query, "_count", parts.settings.page, parts.settings.most_per_page)
    since = instant(query, "_since")
    type_, id_ = (*of, None, None)[:2]
    asked = Past(type_, id_, None if since is None else _text(since), _period(query), _cursor(query))
    versions, following = reader.past(parts.request().access, asked, count)
    kept = [(name, value) for name, value in query.multi_items() if name in (*_ASKED, *SUBSETTING, *CONTROL)]
    address = "/".join((base, *of, "_history"))
    head: dict[str, Any] = {"resourceType": "Bundle", "type": "history"}
    if total is not None:
        head["total"] = total
    head["link"] = list(_links(address, kept, count, query.get("_after"), following))
    texts = ((one, one.body if part is None or one.body is None else part(one.body)) for one in versions)
    entries = b",".join(_entry(base, one, text) for one, text in texts)
    body = dump(head)
    return Response(body[:-1] + b',"entry":[' + entries + b"]}" if entries else body, media_type=FHIR_JSON)


def _links(
    address: str, kept: list[tuple[str, str]], count: int, here: str | None, following: int | None
) -> Iterable[dict[str, str]]:
    asked = [*kept, ("_count", str(count))]
    self = [*asked, *([("_after", here)] if here else [])]
    yield {"relation": "self", "url": f"{address}?{urlencode(self)}"}
    if following is not None:
        yield {"relation": "next", "url": f"{address}?{urlencode([*asked, ('_after', str(following))])}"}


def _entry(base: str, version: Version, text: bytes | None) -> bytes:
    address = f"{version.type}/{version.id}"
    request = {"method": version.method, "url": version.type if version.method == "POST" else address}
    made = version.version == 1 and version.method == "PUT"
    response = {
        "status": "201 Created" if made else _STATUS[version.method],
        "etag": etag(version),
        "lastModified": version.updated,
    }
    resource = b"" if text is None else b',"resource":' + text
    rest = dump({"request": request, "response": response})
    return b'{"fullUrl":' + dump(f"{base}/{address}") + resource + b"," + rest[1:]


def _period(query: QueryParams) -> tuple[str, str] | None:
    """Return the period that `_at` names, as texts in UTC.

    Errors: BadParameterError if it is no date or time of R4.
    """
    said = query.get("_at")
    if said is None:
        return None
    found = span(said.replace(" ", "+"))
    if found is None:
        raise BadParameterError(
            f"The parameter _at must be a date, or a date and time with offset; got {said[:40]!r}.", place="_at"
        )
    return _text(found[0]), _text(found[1])


def _text(when: datetime) -> str:
    """Return an instant as the store writes it: UTC, a fraction only where there is one; cut to the millisecond."""
    plain = when.astimezone(UTC).replace(microsecond=when.microsecond // 1000 * 1000, tzinfo=None)
    return plain.isoformat(timespec="milliseconds" if plain.microsecond else "seconds")


def _cursor(query: QueryParams) -> int | None:
    said = query.get("_after")
    if said is None:
        return None
    if not said.isascii() or not said.isdigit() or len(said) > 18:
        raise BadParameterError(
            f"The page cursor {said[:40]!r} is not one of ours; follow the link 'next' of the page before, unchanged.",
            place="_after",
        )
    return int(said)
