"""The FHIR application: one endpoint for each path of the table, its own errors, nothing redirected."""

from collections import defaultdict
from collections.abc import Awaitable, Callable

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route, Router
from starlette.types import Receive, Scope, Send

from api.asking import Parts

from .capability import metadata
from .guard import Handler, guarded, nothing_here
from .table import INTERACTIONS

Endpoint = Callable[[Request], Awaitable[Response]]


def endpoints() -> dict[str, Endpoint]:
    """Return one guarded endpoint for each path of the table."""
    by_path: defaultdict[str, dict[str, Handler]] = defaultdict(dict)
    for one in INTERACTIONS:
        by_path[one.path][one.method] = one.handler or metadata
    return {path: guarded(handlers) for path, handlers in by_path.items()}


def fhir_app(parts: Parts) -> Starlette:
    """Return the application to mount at /fhir; its root answers at both /fhir (mounted beside it) and /fhir/."""
    application = Starlette()
    application.state.parts = parts
    routes = [_every_method(path or "/", endpoint) for path, endpoint in _by_depth(endpoints())]
    application.router = Router(routes, redirect_slashes=False, default=_nothing)
    return application


def root_endpoint() -> Endpoint:
    """Return the endpoint of /fhir itself."""
    return endpoints()[""]


def _by_depth(found: dict[str, Endpoint]) -> list[tuple[str, Endpoint]]:
    """Return the paths so that a fixed name comes before a placeholder."""
    return sorted(found.items(), key=lambda item: (item[0].count("{"), item[0]))


def _every_method(path: str, endpoint: Endpoint) -> Route:
    methods = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]
    return Route(path, endpoint, methods=methods)


async def _nothing(scope: Scope, receive: Receive, send: Send) -> None:
    await (await nothing_here(Request(scope, receive)))(scope, receive, send)
