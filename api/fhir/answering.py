"""Questions to the store, asked by HTTP or from inside a transaction: the same function answers both."""

from collections.abc import Callable
from functools import wraps

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts
from api.guard import Handler
from api.problems import FHIR_JSON
from fhirmod.store import Reader, Version

from .headers import version_headers

Reading = Callable[[Request, Parts, str, Reader], Response]


class VersionResponse(Response):
    """An answer about one version, which a Bundle that carries the answer needs to know."""

    def __init__(
        self, version: Version, body: bytes | None, status: int = 200, headers: dict[str, str] | None = None
    ) -> None:
        media_type = None if body is None else FHIR_JSON
        super().__init__(body, status, version_headers(version) | (headers or {}), media_type)
        self.version = version


def answering(reading: Reading) -> Handler:
    """Return the handler that asks the store once, all of it from one moment."""

    @wraps(reading)
    async def handler(request: Request, parts: Parts, base: str) -> Response:
        def answered() -> Response:
            store = parts.store_of(request.path_params.get("type"))
            return store.read(lambda reader: reading(request, parts, base, reader))

        return await run_in_threadpool(answered)

    return handler
