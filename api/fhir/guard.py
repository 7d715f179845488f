"""The FHIR side's own way: JSON only, and every error an OperationOutcome."""

from starlette.requests import Request
from starlette.responses import Response

from api.guard import Side
from api.problems import RefusedRequest, as_fhir

from .negotiating import laid_out, refuse_format

FHIR = Side("/fhir", as_fhir, refuse_format, laid_out)


async def nothing_here(request: Request) -> Response:
    """Answer an address that is none of the table's."""
    refused = RefusedRequest(404, "not-found", "There is nothing at this address; /fhir/metadata says what there is.")
    return as_fhir(404, [refused.finding])
