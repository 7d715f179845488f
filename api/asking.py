"""What every handler needs from a request: its body within limits, its parameters, who asks, and when it came."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import unquote_to_bytes

from starlette.requests import Request as HttpRequest

from fhirmod.episode import Moment
from fhirmod.errors import BadParameterError, TooLargeError
from fhirmod.exchange import PUBLISHED_TYPES, published_store
from fhirmod.intake import Intake, Request
from fhirmod.store import Store

from .clock import Clock
from .problems import RefusedRequest
from .scopes import HERE, Caller
from .settings import Settings

_JSON_TYPES = frozenset({"application/json", "application/fhir+json", "text/json", ""})
JSON_PATCH = "application/json-patch+json"
FORM = frozenset({"application/x-www-form-urlencoded"})
PATCH_TYPES = frozenset({JSON_PATCH, "application/json", "application/fhir+json"})


@dataclass(frozen=True, slots=True)
class Parts:
    """What a running service is joined from; it hangs on the application's state.

    Shape: `tokens` says who calls by the Authorization headers, where tokens are asked for. A handler gets the parts
           with the `caller` of its request, and asks `caller` for what the route alone cannot tell.
    """

    settings: Settings
    intake: Intake
    clock: Clock
    tokens: Callable[[Sequence[str]], Caller] | None = None
    caller: Caller = HERE

    def store_of(self, type_: str | None) -> Store:
        """Return where resources of a type stand: the record, or what is published with this software."""
        return published_store() if type_ in PUBLISHED_TYPES else self.intake.store

    def request(self, *, dry_run: bool = False, base: str = "") -> Request:
        """Return a request received now from the caller."""
        return Request(self.caller.access, self.clock.now(), self.clock.new_id, dry_run, base)


async def read_body(request: HttpRequest, parts: Parts, kinds: frozenset[str] = _JSON_TYPES) -> bytes:
    """Return the body of a request.

    Errors: RefusedRequest (415) if it is not JSON in UTF-8 (of FHIR R4, if it says a version) of one of the media
            types; TooLargeError beyond the service's limit.
    """
    refuse_media_type(request, kinds)
    limit = parts.settings.max_body_bytes
    received = bytearray()
    async for chunk in request.stream():
        received += chunk
        if len(received) > limit:
            raise TooLargeError(f"The body must be at most {limit} bytes; it is longer.")
    return bytes(received)


def with_also(request: HttpRequest, query: str) -> HttpRequest:
    """Return the request with further parameters, percent-encoded, behind those of its address."""
    whole = "&".join(part for part in (request.url.query, query) if part)
    return HttpRequest({**request.scope, "query_string": whole.encode("ascii")})


def refuse_address(request: HttpRequest) -> None:
    """Return nothing if the address is one: percent-encoded UTF-8, and without U+0000, which no id and no text has.

    What is encoded otherwise is not guessed: a condition read wrongly would match nothing, and create another.
    Errors: RefusedRequest (400).
    Source: RFC 3986, 2 and 2.5.
    """
    path, query = request.scope.get("raw_path") or b"", request.scope["query_string"]
    try:
        text = unquote_to_bytes((path + b"?" + query).decode("ascii")).decode()
    except UnicodeDecodeError:
        raise RefusedRequest(400, "value", "The address must be percent-encoded UTF-8; it is not.") from None
    if "\0" in text or "\0" in request.scope["path"]:
        raise RefusedRequest(400, "value", "The address holds the character U+0000 (%00), which no id and no text has.")


def refuse_media_type(request: HttpRequest, kinds: frozenset[str] = _JSON_TYPES) -> None:
    """Return nothing if the body is said to be of one of these media types, in UTF-8, of R4, and not packed.

    Errors: RefusedRequest (415).
    """
    kind, *parameters = (part.strip().lower() for part in request.headers.get("content-type", "").split(";"))
    if kind not in kinds:
        form = "a form" if kinds is FORM else "JSON"
        wanted = JSON_PATCH if JSON_PATCH in kinds else "application/json" if form == "JSON" else next(iter(FORM))
        raise RefusedRequest(
            415, "not-supported", f"The body must be {form} with Content-Type: {wanted}; got {kind[:60] or 'none'}."
        )
    for name, _, value in (part.partition("=") for part in parameters):
        if name == "fhirversion" and not is_r4(value):
            raise RefusedRequest(415, "not-supported", f"The body must be FHIR R4, fhirVersion 4.0; got {value[:20]}.")
        if name == "charset" and value.strip('"') not in ("utf-8", "utf8", "us-ascii"):
            raise RefusedRequest(415, "not-supported", f"The body must be in UTF-8; got charset {value[:20]}.")
    packed = request.headers.get("content-encoding", "identity").strip().lower()
    if packed != "identity":
        raise RefusedRequest(415, "not-supported", f"The body must be sent as it is; got it packed by {packed[:20]}.")


def is_r4(version: str) -> bool:
    """Return whether a fhirVersion of a media type means R4.

    Source: http://hl7.org/fhir/R4/http.html#version-parameter

    >>> is_r4("4.0"), is_r4('"4.0.1"'), is_r4("4.3")
    (True, True, False)
    """
    return version.strip('"') in ("4.0", "4.0.1")


def parameters(request: HttpRequest, allowed: frozenset[str]) -> dict[str, str]:
    """Return the query parameters, each known and given once.

    Errors: BadParameterError naming one that is not.
    """
    found: dict[str, str] = {}
    for name, value in request.query_params.multi_items():
        said = name[:40]
        if name not in allowed:
            known = ", ".join(sorted(allowed)) or "none"
            raise BadParameterError(f"There is no parameter {said!r} here; there are: {known}.", place=said)
        if name in found:
            raise BadParameterError(f"The parameter {said} was given more than once; once is enough.", place=said)
        found[name] = value
    return found


def refuse_twice(query: Iterable[tuple[str, str]], names: frozenset[str]) -> None:
    """Return nothing if each of these parameters has one value, however often it was given.

    Errors: BadParameterError.
    """
    given: dict[str, str] = {}
    for name, value in query:
        if name in names and given.setdefault(name, value) != value:
            raise BadParameterError(f"The parameter {name} was given with two values; one is enough.", place=name)


def truth(query: Mapping[str, str], name: str) -> bool:
    """Return a true-or-false parameter, false where it is absent.

    Errors: BadParameterError if it is neither.
    """
    text = query.get(name, "false")
    if text not in ("true", "false"):
        raise BadParameterError(f"The parameter {name} must be true or false; got {text[:20]!r}.", place=name)
    return text == "true"


def choice(query: Mapping[str, str], name: str, words: tuple[str, ...]) -> str | None:
    """Return a parameter that is one of a few words, or None where it is absent.

    Errors: BadParameterError if it is another word.
    """
    text = query.get(name)
    if text is not None and text not in words:
        raise BadParameterError(f"The parameter {name} must be {' or '.join(words)}; got {text[:20]!r}.", place=name)
    return text


def instant(query: Mapping[str, str], name: str) -> datetime | None:
    """Return a parameter that is an instant with offset, or None where it is absent.

    A plus sign that a client left unencoded arrives as a blank, and is read as what was meant.
    Errors: BadParameterError if it is not such an instant.
    """
    if name not in query:
        return None
    text = query[name].replace(" ", "+")
    try:
        found = Moment(text).instant
    except ValueError:
        found = None
    if found is None:
        raise BadParameterError(
            f"The parameter {name} must be an instant with offset such as 2026-03-01T02:10:00Z, "
            f"with seconds, of the years 1900 to 2999; got {text[:40]!r}.",
            place=name,
        )
    return found


def number(query: Mapping[str, str], name: str, otherwise: int, most: int) -> int:
    """Return a parameter that is a whole number from 0, cut to the most that is given at once.

    Errors: BadParameterError if it is not.
    """
    text = query.get(name)
    if text is None:
        return otherwise
    if not text.isascii() or not text.isdigit() or len(text) > 18:
        raise BadParameterError(f"The parameter {name} must be a whole number from 0; got {text[:20]!r}.", place=name)
    return min(int(text), most)
