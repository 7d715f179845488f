"""A name for every request, and the last net under it: nothing unexpected leaves without an answer or says too much.

The name is the client's X-Request-Id if it is usable, else a new id; it comes back in the answer and leads to
the log, which carries where something failed but never the message of the failure: that may speak of a person.
The client's X-Correlation-Id, if it is usable, comes back as it is.
Source: http://hl7.org/fhir/R4/http.html#custom
"""

import logging
import re
import traceback
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from .problems import UNEXPECTED, as_json

_USABLE = re.compile(r"[A-Za-z0-9._\-]{1,80}")
_log = logging.getLogger("fhirmod.api")


class RequestIds:
    """The middleware that names requests and answers for what nobody expected."""

    def __init__(self, app: ASGIApp, new_id: Callable[[], str]) -> None:
        self._app, self._new_id = app, new_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        given, correlated = headers.get("x-request-id", ""), headers.get("x-correlation-id", "")
        name = given if _USABLE.fullmatch(given) else self._new_id()
        scope["request_id"] = name
        started = False

        async def named(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                MutableHeaders(scope=message)["X-Request-Id"] = name
                if _USABLE.fullmatch(correlated):
                    MutableHeaders(scope=message)["X-Correlation-Id"] = correlated
            await send(message)

        try:
            await self._app(scope, receive, named)
        except Exception as error:  # noqa: BLE001  the last net
            note(Request(scope), error)
            if not started:
                await as_json(500, [UNEXPECTED])(scope, receive, named)


def note(request: Request, error: Exception) -> None:
    """Log where a request failed, and on what kind of error; not what the error says."""
    frames = "".join(traceback.format_tb(error.__traceback__))
    _log.error("request %s failed on %s\n%s", request.scope.get("request_id", ""), type(error).__name__, frames)
