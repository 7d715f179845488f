"""In which form an answer is given: what the client accepts, and whether it wants it laid out for people.

Source: HL7 FHIR R4 http.html#mime-type, #parameters (`_format` counts before Accept, `_pretty`); RFC 9110, 12.5.1.
"""

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from api.asking import is_r4
from api.problems import RefusedRequest

_GIVEN = ("application/fhir+json", "application/json", "text/json")  # three names of the one form there is
_FORMATS = frozenset(("json", *_GIVEN))


def refuse_format(request: Request) -> None:
    """Return nothing if the client takes FHIR R4 in JSON; `_format` counts before Accept.

    Errors: RefusedRequest (406) otherwise.
    """
    asked = request.query_params.get("_format")
    if asked is not None:
        if asked.replace(" ", "+").partition(";")[0].strip().lower() not in _FORMATS:
            raise RefusedRequest(406, "not-supported", "The answer is given as application/fhir+json only.")
        return
    accept = ",".join(request.headers.getlist("accept")) or "*/*"
    if not any(_weight(name, accept) > 0 for name in _GIVEN):
        raise RefusedRequest(
            406, "not-supported", "The answer is given as application/fhir+json, fhirVersion 4.0 only."
        )


def _weight(name: str, accept: str) -> float:
    """Return how much a client wants a media type: the weight of the most specific range that covers it.

    >>> _weight("application/json", "application/json;q=0, */*"), _weight("text/json", "text/*;q=0.5, */*;q=0.1")
    (0.0, 0.5)
    """
    best, weight = -1, 0.0
    for choice in accept.split(","):
        kind, *parameters = (part.strip().lower() for part in choice.split(";"))
        said = dict(part.partition("=")[::2] for part in parameters)
        closeness = (("*/*", f"{name.partition('/')[0]}/*", name).index(kind)) if _covers(kind, name) else -1
        if closeness > best or (closeness == best and closeness >= 0):
            if not is_r4(said.get("fhirversion", "4.0")):
                continue
            own = _number(said.get("q", "1"))
            weight = own if closeness > best else max(weight, own)
            best = closeness
    return weight


def _covers(kind: str, name: str) -> bool:
    return kind in ("*/*", name, f"{name.partition('/')[0]}/*")


def _number(text: str) -> float:
    try:
        return min(max(float(text), 0.0), 1.0)
    except ValueError:
        return 0.0


def laid_out(request: Request, response: Response) -> Response:
    """Return the answer with line breaks if `_pretty=true` asks for them; every digit and escape as it was."""
    if request.query_params.get("_pretty") == "true" and response.body:
        response.body = msgspec.json.format(bytes(response.body), indent=2)
        response.headers["content-length"] = str(len(response.body))
    return response
