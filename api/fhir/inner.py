"""The request that an entry of a Bundle stands for, made from the one that carried it."""

from collections.abc import Callable, Mapping
from datetime import UTC
from email.utils import format_datetime
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.types import Message

from fhirmod.r4 import span

_HEADERS = {
    "ifMatch": b"if-match",
    "ifNoneMatch": b"if-none-match",
    "ifModifiedSince": b"if-modified-since",
    "ifNoneExist": b"if-none-exist",
}


def inner_request(
    outer: Request, method: str, url: str, asked: Mapping[str, Any], named: Mapping[str, str], **more: Any
) -> Request:
    """Return the request for one entry: its method, address and conditions, the body it brings, who asked as outside.

    Shape: `more` may have `body`, its `content_type`, and `prefer`.
    """
    path, _, query = url.partition("?")
    headers = [(key, value) for key, value in outer.scope["headers"] if key in _KEPT]
    for name, header in _HEADERS.items():
        if isinstance(said := asked.get(name), str):
            headers.append((header, _AS_HEADER.get(name, _text)(said)))
    headers.append((b"content-type", _text(more.get("content_type", "application/fhir+json"))))
    headers.append((b"prefer", _text(more.get("prefer", "return=minimal"))))
    scope = {
        **outer.scope,
        "method": method,
        "path": f"{outer.scope.get('root_path', '')}/{path}",
        "raw_path": b"",
        "query_string": _encoded(query),
        "headers": headers,
        "path_params": dict(named),
    }
    body = more.get("body", b"")

    async def receive() -> Message:
        return {"type": "http.request", "body": body, "more_body": False}

    return Request(scope, receive)


_KEPT = frozenset((b"host", b"authorization", b"x-request-id"))


def _text(value: str) -> bytes:
    return value.encode("latin-1", "replace")


def _encoded(query: str) -> bytes:
    """Return a query as it would come over HTTP: what an address cannot hold is percent-encoded, the rest as it is.

    >>> _encoded("name=Łódź 1%2C2")
    b'name=%C5%81%C3%B3d%C5%BA%201%2C2'
    """
    return quote(query, safe=_VISIBLE).encode("ascii")


def _http_date(instant: str) -> bytes:
    """Return an instant as HTTP writes times: in whole seconds.

    Source: http://hl7.org/fhir/R4/bundle.html (ifModifiedSince is an instant); RFC 9110, 5.6.7

    >>> _http_date("2026-03-01T02:00:00.5+01:00")
    b'Sun, 01 Mar 2026 01:00:00 GMT'
    """
    found = span(instant)
    return b"" if found is None else format_datetime(found[0].astimezone(UTC), usegmt=True).encode("ascii")


_AS_HEADER: dict[str, Callable[[str], bytes]] = {"ifNoneExist": _encoded, "ifModifiedSince": _http_date}
_VISIBLE = "".join(map(chr, range(0x21, 0x7F)))
