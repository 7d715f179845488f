"""The FHIR side's own way: JSON only, and every error an OperationOutcome."""

from starlette.requests import Request
from starlette.responses import Response

from api.guard import Side
from api.problems import RefusedRequest, as_fhir

from .negotiating import laid_out, refuse_format


def _seek(request: Request) -> None:
    """Return nothing unless the address is that of an operation or a search which is none of the table's.

    Errors: RefusedRequest (404), whatever the method.
    """
    named = [str(request.path_params.get(name, "")) for name in ("type", "id")]
    for one in named:
        if one.startswith("$"):
            raise RefusedRequest(
                404, "not-supported", f"There is no operation {one[:40]} at this address; /fhir/metadata lists all."
            )
    if named[0] == "_search":
        raise RefusedRequest(
            404, "not-supported", "A search is of one type here, at /fhir/Patient/_search and the like."
        )


FHIR = Side("/fhir", as_fhir, refuse_format, laid_out, _seek)


async def nothing_here(request: Request) -> Response:
    """Answer an address that is none of the table's."""
    refused = RefusedRequest(404, "not-found", "There is nothing at this address; /fhir/metadata says what there is.")
    return as_fhir(404, [refused.finding])


async def no_configuration(request: Request) -> Response:
    """Answer who looks for a SMART configuration, with or without a token: there is none, and why.

    Source: SMART App Launch 2, conformance (token_endpoint is required; whoever asks has no token yet)
    """
    sentence = (
        "There is no SMART configuration here: it must name the issuer's token endpoint, and this service knows its "
        "issuer, if any, by name and keys only. Ask whoever runs the service."
    )
    return as_fhir(404, [RefusedRequest(404, "not-supported", sentence).finding])
