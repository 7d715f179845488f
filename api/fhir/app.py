"""The FHIR application: one endpoint for each path of the table, its own errors, nothing redirected."""

from collections import defaultdict

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.routing import Router
from starlette.types import Receive, Scope, Send

from api.asking import Parts
from api.guard import Endpoint, Handler, every_method, guarded

from .capability import metadata
from .guard import FHIR, nothing_here
from .table import INTERACTIONS


def endpoints() -> dict[str, Endpoint]:
    """Return one guarded endpoint for each path of the table."""
    by_path: defaultdict[str, dict[str, Handler]] = defaultdict(dict)
    for one in INTERACTIONS:
        by_path[one.path][one.method] = one.handler or metadata
    return {path: guarded(handlers, FHIR) for path, handlers in by_path.items()}


def fhir_app(parts: Parts) -> Starlette:
    """Return the application to mount at /fhir; its root answers at both /fhir (mounted beside it) and /fhir/."""
    application = Starlette()
    application.state.parts = parts
    routes = [every_method(path or "/", endpoint) for path, endpoint in _by_depth(endpoints())]
    application.router = Router(routes, redirect_slashes=False, default=_nothing)
    return application


def root_endpoint() -> Endpoint:
    """Return the endpoint of /fhir itself."""
    return endpoints()[""]


def _by_depth(found: dict[str, Endpoint]) -> list[tuple[str, Endpoint]]:
    """Return the paths so that a fixed name comes before a placeholder."""
    return sorted(found.items(), key=lambda item: (item[0].count("{"), item[0]))


async def _nothing(scope: Scope, receive: Receive, send: Send) -> None:
    await (await nothing_here(Request(scope, receive)))(scope, receive, send)
