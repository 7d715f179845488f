"""Joining the parts into one application: bedside routes, the FHIR application, OpenAPI, CORS, request names."""

from collections.abc import Callable, Sequence
from functools import cache, partial

from fastapi import FastAPI, Request
from starlette.exceptions import HTTPException
from starlette.middleware.cors import CORSMiddleware
from starlette.responses import Response
from starlette.types import Lifespan

from fhirmod import __version__
from fhirmod.errors import NotSupportedError
from fhirmod.intake import Intake

from .asking import Parts
from .clock import Clock
from .crowding import Crowding
from .fhir import fhir_app
from .fhir.app import root_endpoint
from .guard import every_method
from .openapi import document
from .problems import RefusedRequest, as_json
from .request_ids import RequestIds
from .routes import bedside_routes
from .scopes import Caller
from .settings import Settings

_EXPOSED = [
    "ETag",
    "Location",
    "Content-Location",
    "Last-Modified",
    "X-Request-Id",
    "X-Correlation-Id",
    "Retry-After",
    "Allow",
    "WWW-Authenticate",
]
_ASKED = [
    "Authorization",
    "Content-Type",
    "Accept",
    "Prefer",
    "If-Match",
    "If-Modified-Since",
    "If-None-Match",
    "If-None-Exist",
    "X-Request-Id",
    "X-Correlation-Id",
]


def create_app(settings: Settings, intake: Intake, clock: Clock, serving: Lifespan[FastAPI] | None = None) -> FastAPI:
    """Return the service, joined; nothing is built before this is called. `serving` is entered while it serves.

    Errors: NotSupportedError if it is to listen beyond this machine without tokens; as `Keys` for their key set.
    """
    settings.refuse_open_door()
    app = FastAPI(
        title="fhirmod", version=__version__, docs_url=None, redoc_url=None, redirect_slashes=False, lifespan=serving
    )
    parts = Parts(settings, intake, clock, _tokens(settings, clock))
    app.state.parts = parts
    app.router.routes.extend(bedside_routes())
    app.router.routes.append(every_method("/fhir", root_endpoint()))
    app.mount("/fhir", fhir_app(parts))
    app.add_exception_handler(HTTPException, _by_framework)
    app.add_middleware(Crowding, path="/fhir", most=settings.most_at_once)
    app.add_middleware(
        CORSMiddleware,
        allow_origins=settings.open_to,
        allow_methods=["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"],
        allow_headers=_ASKED,
        expose_headers=_EXPOSED,
    )
    app.add_middleware(RequestIds, new_id=clock.new_id)
    app.openapi = cache(partial(document, secured=settings.asks_tokens))  # type: ignore[method-assign]
    return app


def _tokens(settings: Settings, clock: Clock) -> Callable[[Sequence[str]], Caller] | None:
    """Return what says who calls, or None where no token is asked for; only then its libraries are needed.

    Errors: NotSupportedError if they are not installed; as `Keys` if the key set cannot be used.
    """
    if not (settings.issuer and settings.audience and settings.keys):
        return None
    try:
        from .keys import Keys  # noqa: PLC0415
        from .tokens import Tokens  # noqa: PLC0415
    except ImportError:
        raise NotSupportedError(
            "Checking tokens needs PyJWT and cryptography, which are not installed; install fhirmod[tokens]."
        ) from None
    return Tokens(settings.issuer, settings.audience, Keys(settings.keys), clock.now).caller


async def _by_framework(request: Request, error: Exception) -> Response:
    """Answer what the framework refuses before any route of ours: an unknown address, or a method of /openapi.json."""
    assert isinstance(error, HTTPException)
    said = {
        404: ("not-found", "There is nothing at this address; /openapi.json says what there is."),
        405: ("not-supported", f"The method {request.method[:20]} is not for this address; there is: GET."),
    }
    issue, sentence = said.get(error.status_code, ("processing", "The request could not be taken."))
    refused = RefusedRequest(error.status_code, issue, sentence, error.headers)
    return as_json(refused.status, [refused.finding], refused.headers)
