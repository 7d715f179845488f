"""How many FHIR requests are taken at once: more are told to come again, so that those taken are answered.

Bedside entries are never turned away here: an emergency does not come again in a second.
Source: RFC 6585, 4 (429); RFC 9110, 10.2.3 (Retry-After).
"""

from starlette.types import ASGIApp, Receive, Scope, Send

from fhirmod.errors import Finding

from .problems import AGAIN_S, as_fhir


class Crowding:
    """The middleware that counts requests under one path and refuses those beyond the most at once."""

    def __init__(self, app: ASGIApp, path: str, most: int) -> None:
        self._app, self._path, self._most = app, path, most
        self._here = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or not scope["path"].startswith(self._path):
            await self._app(scope, receive, send)
            return
        if self._here >= self._most:
            sentence = f"The service answers {self._most} requests at once and has as many; send it again in a second."
            finding = Finding("error", "http-429", "throttled", "", sentence)
            await as_fhir(429, [finding], {"Retry-After": str(AGAIN_S)})(scope, receive, send)
            return
        self._here += 1
        try:
            await self._app(scope, receive, send)
        finally:
            self._here -= 1
