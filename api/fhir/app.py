"""The FHIR application: one endpoint for each path of the table, its own errors, nothing redirected."""

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.routing import Router
from starlette.types import Receive, Scope, Send

from api.asking import Parts
from api.guard import Endpoint, every_method

from .bundling import bundle
from .capability import metadata
from .dispatching import by_depth, endpoints
from .guard import no_configuration, nothing_here

_MADE = {"capabilities": metadata, "transaction": bundle, "batch": bundle}


def fhir_app(parts: Parts) -> Starlette:
    """Return the application to mount at /fhir; its root answers at both /fhir (mounted beside it) and /fhir/."""
    application = Starlette()
    application.state.parts = parts
    found = endpoints(_MADE)
    routes = [every_method(path or "/", found[path]) for path in sorted(found, key=by_depth)]
    routes.insert(0, every_method("/.well-known/smart-configuration", no_configuration))
    routes.append(every_method("/{type}/", found["/{type}"]))  # some clients write Patient/?name=
    application.router = Router(routes, redirect_slashes=False, default=_nothing)
    return application


def root_endpoint() -> Endpoint:
    """Return the endpoint of /fhir itself."""
    return endpoints(_MADE)[""]


async def _nothing(scope: Scope, receive: Receive, send: Send) -> None:
    await (await nothing_here(Request(scope, receive)))(scope, receive, send)
