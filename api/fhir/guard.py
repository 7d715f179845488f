"""What stands around every FHIR handler: format, errors as OperationOutcome, the base URL, the joined parts."""

from collections.abc import Awaitable, Callable, Mapping

from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts
from api.problems import UNEXPECTED, RefusedRequest, as_fhir, status_of
from api.request_ids import note
from fhirmod.errors import FhirmodError

from .headers import refuse_format

Handler = Callable[[Request, Parts, str], Awaitable[Response]]


def guarded(handlers: Mapping[str, Handler]) -> Callable[[Request], Awaitable[Response]]:
    """Return one endpoint for all methods of a path; a method it has not is 405 with Allow."""
    allow = ", ".join(sorted({*handlers, *(("HEAD",) if "GET" in handlers else ())}))

    async def endpoint(request: Request) -> Response:
        handler = handlers.get("GET" if request.method == "HEAD" else request.method)
        try:
            if handler is None:
                raise RefusedRequest(  # noqa: TRY301  one place answers all refusals
                    405,
                    "not-supported",
                    f"The method {request.method} is not for this address; there are: {allow}.",
                    {"Allow": allow},
                )
            refuse_format(request)
            parts: Parts = request.app.state.parts
            return await handler(request, parts, base_of(request, parts))
        except RefusedRequest as refused:
            return as_fhir(refused.status, [refused.finding], refused.headers)
        except FhirmodError as error:
            return as_fhir(status_of(error), error.findings)
        except Exception as error:  # noqa: BLE001  whatever it is, the client gets an OperationOutcome
            note(request, error)
            return as_fhir(500, [UNEXPECTED])

    return endpoint


def base_of(request: Request, parts: Parts) -> str:
    """Return the base URL of the FHIR service as its clients see it, without a slash at the end."""
    if parts.settings.base_url is not None:
        return f"{parts.settings.base_url.rstrip('/')}/fhir"
    return str(request.base_url).rstrip("/").removesuffix("/fhir") + "/fhir"


async def nothing_here(request: Request) -> Response:
    """Answer an address that is none of the table's."""
    refused = RefusedRequest(404, "not-found", "There is nothing at this address; /fhir/metadata says what there is.")
    return as_fhir(404, [refused.finding])
