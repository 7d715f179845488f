"""A search whose parameters come in a form: the same search by GET, with what the address says added.

Source: http://hl7.org/fhir/R4/http.html#search (POST [base]/[type]/_search)
"""

from starlette.requests import Request
from starlette.responses import Response

from api.asking import FORM, Parts, read_body, refuse_address, with_also
from fhirmod.errors import BadParameterError

from .answering import answering
from .negotiating import laid_out, refuse_format
from .searching import search


async def search_posted(request: Request, parts: Parts, base: str) -> Response:
    """Give a page of the resources that meet every criterion, of the form and of the address."""
    body = await read_body(request, parts, FORM)
    try:
        form = body.decode("ascii").strip()
    except UnicodeDecodeError:
        raise BadParameterError("The form must be percent-encoded; got a byte beyond ASCII.", place="body") from None
    asked = with_also(request, form)
    refuse_address(asked)
    refuse_format(asked)
    return laid_out(asked, await answering(search)(asked, parts, base))
