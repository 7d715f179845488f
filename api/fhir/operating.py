"""An operation that only asks: by GET with its parameters in the address, by POST in Parameters, or both.

Source: http://hl7.org/fhir/R4/operations.html#request
"""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any
from urllib.parse import urlencode

from starlette.requests import Request

from api.asking import Parts, read_body, with_also
from fhirmod.errors import BadParameterError
from fhirmod.r4 import parse


async def as_get(request: Request, parts: Parts) -> Request:
    """Return the request as if it had been asked by GET: what Parameters bring stands behind the address's own.

    Errors: BadParameterError if the body is no Parameters, or one of them is no single plain value.
    """
    if request.method != "POST":
        return request
    body = await read_body(request, parts)
    return with_also(request, urlencode(list(_plain(parse(body)))) if body.strip() else "")


def _plain(body: Any) -> Iterator[tuple[str, str]]:
    if not isinstance(body, Mapping) or body.get("resourceType") != "Parameters":
        raise BadParameterError("The parameters of an operation come as a Parameters resource; got another.")
    listed = body.get("parameter", [])
    for one in listed if isinstance(listed, list) else [None]:
        name = one.get("name") if isinstance(one, Mapping) else None
        values = [value for key, value in one.items() if key.startswith("value")] if isinstance(one, Mapping) else []
        if not isinstance(name, str) or len(values) != 1 or not isinstance(values[0], str | int | Decimal):
            raise BadParameterError(
                "Each parameter of this operation has a name and one plain value; one has not.", place="parameter"
            )
        yield name, str(values[0]).lower() if isinstance(values[0], bool) else str(values[0])
