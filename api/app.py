"""Joining the parts into one application: bedside routes, the FHIR application, health, OpenAPI."""

from typing import Any

from fastapi import FastAPI, Request
from starlette.exceptions import HTTPException
from starlette.middleware.cors import CORSMiddleware
from starlette.responses import Response
from starlette.routing import Route

from fhirmod import __version__
from fhirmod.errors import FhirmodError
from fhirmod.exchange import CAUTIONS
from fhirmod.intake import Intake
from fhirmod.r4 import dump

from . import bedside
from .asking import Parts
from .clock import Clock
from .describing import schemas
from .fhir import INTERACTIONS, fhir_app
from .fhir.app import root_endpoint
from .problems import JSON, RefusedRequest, as_json, status_of
from .request_ids import RequestIds
from .settings import Settings

_EXPOSED = ["ETag", "Location", "Content-Location", "Last-Modified", "X-Request-Id"]
_ASKED = [
    "Authorization",
    "Content-Type",
    "Accept",
    "Prefer",
    "If-Match",
    "If-None-Match",
    "If-None-Exist",
    "X-Request-Id",
]


def create_app(settings: Settings, intake: Intake, clock: Clock) -> FastAPI:
    """Return the service, joined; nothing is built before this is called.

    Errors: NotSupportedError if it is to listen beyond this machine.
    """
    settings.refuse_open_door()
    app = FastAPI(
        title="fhirmod",
        version=__version__,
        description=" ".join(CAUTIONS[:2]),
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
    )
    parts = Parts(settings, intake, clock)
    app.state.parts = parts
    app.include_router(bedside.router)
    app.add_api_route("/health", _health, methods=["GET"], tags=["service"], response_model=None)
    methods = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE"]
    app.router.routes.append(Route("/fhir", root_endpoint(), methods=methods))
    app.mount("/fhir", fhir_app(parts))
    app.add_exception_handler(FhirmodError, _refused)
    app.add_exception_handler(RefusedRequest, _refused)
    app.add_exception_handler(HTTPException, _by_framework)
    app.add_middleware(
        CORSMiddleware,
        allow_origins=["*"],
        allow_methods=["GET", "HEAD", "POST", "PUT", "OPTIONS"],
        allow_headers=_ASKED,
        expose_headers=_EXPOSED,
    )
    app.add_middleware(RequestIds, new_id=clock.new_id)
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]
    return app


async def _health(request: Request) -> Response:
    """Say that the service is there, and which version."""
    return Response(dump({"status": "ok", "software": "fhirmod", "version": __version__}), 200, media_type=JSON)


async def _refused(request: Request, error: Exception) -> Response:
    if isinstance(error, RefusedRequest):
        return as_json(error.status, [error.finding], error.headers)
    assert isinstance(error, FhirmodError)
    return as_json(status_of(error), error.findings)


async def _by_framework(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    said = {
        404: ("not-found", "There is nothing at this address; /openapi.json says what there is."),
        405: ("not-supported", f"The method {request.method} is not for this address."),
    }
    issue, sentence = said.get(error.status_code, ("processing", "The request could not be taken."))
    refused = RefusedRequest(error.status_code, issue, sentence, error.headers)
    return as_json(refused.status, [refused.finding], refused.headers)


def _openapi(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI document: the bedside routes as declared, the FHIR paths from their table."""
    if app.openapi_schema is None:
        found = FastAPI.openapi(app)
        found.setdefault("components", {}).setdefault("schemas", {}).update(schemas())
        for one in INTERACTIONS:
            path = found["paths"].setdefault(f"/fhir{one.path}", {})
            path[one.method.lower()] = _fhir_path(one.path, one.method, one.code, one.summary)
        app.openapi_schema = found
    return app.openapi_schema


def _fhir_path(path: str, method: str, code: str, summary: str) -> dict[str, Any]:
    names = [part[1:-1] for part in path.split("/") if part.startswith("{")]
    resource = {"application/fhir+json": {"schema": {"$ref": "#/components/schemas/Resource"}}}
    described: dict[str, Any] = {
        "operationId": f"fhir-{code}",
        "tags": ["fhir"],
        "summary": summary,
        "parameters": [{"name": name, "in": "path", "required": True, "schema": {"type": "string"}} for name in names],
        "responses": {
            "2XX": {"description": "A resource.", "content": resource},
            "4XX": {"description": "An OperationOutcome.", "content": resource},
        },
    }
    if method in ("POST", "PUT"):
        described["requestBody"] = {"required": True, "content": resource}
    return described
