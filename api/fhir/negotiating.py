"""In which form an answer is given: what the client accepts, and whether it wants it laid out for people.

Source: HL7 FHIR R4 http.html#mime-type, #parameters (`_format` counts before Accept, `_pretty`); RFC 9110, 12.5.1.
"""

import msgspec
from starlette.requests import Request
from starlette.responses import Response

from api.asking import is_r4
from api.problems import FHIR_JSON, RefusedRequest

_GIVEN = ("application/fhir+json", "application/json", "text/json")  # three names of the one form there is
_FORMATS = frozenset(("json", *_GIVEN))
_ONLY = "The answer is given as application/fhir+json of fhirVersion 4.0 only."


def refuse_format(request: Request) -> None:
    """Return nothing if the client takes FHIR R4 in JSON; `_format` counts before Accept.

    Errors: RefusedRequest (406) otherwise.
    """
    asked = request.query_params.get("_format")
    if asked is not None:
        kind, said = _read(asked.replace("fhir json", "fhir+json"))  # a + that was not escaped arrives as a blank
        if kind not in _FORMATS or not is_r4(said.get("fhirversion", "4.0")):
            raise RefusedRequest(406, "not-supported", _ONLY)
        return
    if _json_wanted(request) <= 0 and not _asks_a_binary(request):
        raise RefusedRequest(406, "not-supported", _ONLY)


def as_content(request: Request, kind: str) -> bool:
    """Return whether a Binary is to be given as its content: the client wants that media type more than JSON.

    Errors: RefusedRequest (406) if it wants neither.
    Source: http://hl7.org/fhir/R4/binary.html#rest (who names no type that is its own gets the resource here)
    """
    if "_format" in request.query_params:
        return False
    json, content = _json_wanted(request), _weight(kind.partition(";")[0].strip().lower(), _accepted(request))
    if json <= 0 and content <= 0:
        raise RefusedRequest(406, "not-supported", "The answer is given as application/fhir+json, or as its content.")
    return content > json


def _accepted(request: Request) -> str:
    return ",".join(request.headers.getlist("accept")) or "*/*"


def _json_wanted(request: Request) -> float:
    return max(_weight(name, _accepted(request)) for name in _GIVEN)


def _asks_a_binary(request: Request) -> bool:
    named = request.path_params
    if request.method not in ("GET", "HEAD"):  # what answers a write is FHIR
        return False
    last = request.scope["path"].rpartition("/")[2]
    return named.get("type") == "Binary" and last in (named.get("id"), named.get("version"))


def _read(choice: str) -> tuple[str, dict[str, str]]:
    """Return a media type and its parameters, all in small letters.

    >>> _read("application/fhir+JSON; fhirVersion=4.0")
    ('application/fhir+json', {'fhirversion': '4.0'})
    """
    kind, *parameters = (part.strip().lower() for part in choice.split(";"))
    return kind, dict(part.partition("=")[::2] for part in parameters)


def _weight(name: str, accept: str) -> float:
    """Return how much a client wants a media type: the weight of the most specific range that covers it.

    >>> _weight("application/json", "application/json;q=0, */*"), _weight("text/json", "text/*;q=0.5, */*;q=0.1")
    (0.0, 0.5)
    """
    best, weight = -1, 0.0
    for choice in accept.split(","):
        kind, said = _read(choice)
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
    """Return the answer in the form that was asked for: with line breaks if `_pretty=true`, every digit as it was, and
    with the version of FHIR for who named it.

    Source: http://hl7.org/fhir/R4/http.html#version-parameter
    """
    kind = response.headers.get("content-type", "").partition(";")[0]
    if request.query_params.get("_pretty") == "true" and response.body and kind in _GIVEN:  # no content of a Binary
        response.body = msgspec.json.format(bytes(response.body), indent=2)
        response.headers["content-length"] = str(len(response.body))
    if response.headers.get("content-type") == FHIR_JSON and _names_version(request):
        response.headers["content-type"] = f"{FHIR_JSON}; fhirVersion=4.0"
    return response


def _names_version(request: Request) -> bool:
    asked = request.query_params.get("_format")
    choices = ",".join(request.headers.getlist("accept")).split(",") if asked is None else [asked]
    return any(is_r4(_read(one)[1].get("fhirversion", "")) for one in choices)
