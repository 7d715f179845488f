"""The request that an entry of a Bundle stands for, made from the one that carried it."""

from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.types import Message

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
    headers += [(header, _text(asked[name])) for name, header in _HEADERS.items() if isinstance(asked.get(name), str)]
    headers.append((b"content-type", _text(more.get("content_type", "application/fhir+json"))))
    headers.append((b"prefer", _text(more.get("prefer", "return=minimal"))))
    scope = {
        **outer.scope,
        "method": method,
        "path": f"{outer.scope.get('root_path', '')}/{path}",
        "raw_path": b"",
        "query_string": query.replace(" ", "%20").encode(),
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
