"""A name for every request: the client's X-Request-Id if it is one, else a new id; it comes back in the answer."""

import re
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

_USABLE = re.compile(r"[A-Za-z0-9._\-]{1,80}")


class RequestIds:
    """The middleware that names requests."""

    def __init__(self, app: ASGIApp, new_id: Callable[[], str]) -> None:
        self._app, self._new_id = app, new_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        given = Headers(scope=scope).get("x-request-id", "")
        name = given if _USABLE.fullmatch(given) else self._new_id()
        scope["request_id"] = name

        async def named(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message)["X-Request-Id"] = name
            await send(message)

        await self._app(scope, receive, named)
