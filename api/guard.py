"""What stands around every handler of both sides: methods, the parts joined, and each error as that side says it."""

from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fhirmod.errors import FhirmodError, Finding

from .asking import Parts, refuse_address
from .problems import UNEXPECTED, RefusedRequest, headers_of, status_of
from .request_ids import note
from .scopes import HERE, Bedside, Caller, Need

Handler = Callable[[Request, Parts, str], Awaitable[Response]]
Endpoint = Callable[[Request], Awaitable[Response]]
Needs = Callable[[Mapping[str, str]], Sequence[Need | Bedside]]
_CALLER = "fhirmod.caller"


class Door(NamedTuple):
    """What answers a method of a path, and the scopes it needs by the placeholders of its path; None: no token even."""

    handler: Handler
    needs: Needs | None


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the service: where it begins, the shape of its errors, what it asks of every request, the
    last it does to an answer, and what it says of addresses that look like one of its own and are not.
    """

    path: str
    problem: Callable[[int, Sequence[Finding], Mapping[str, str]], Response]
    admit: Callable[[Request], None]
    finish: Callable[[Request, Response], Response] = lambda _, response: response
    seek: Callable[[Request], None] = lambda _: None


def guarded(doors: Mapping[str, Door], side: Side) -> Endpoint:
    """Return one endpoint for all methods of a path; a method it has not is 405 with Allow."""
    allow = ", ".join(sorted({*doors, *(("HEAD",) if "GET" in doors else ())}))

    async def endpoint(request: Request) -> Response:
        return side.finish(request, await answered(request))

    async def answered(request: Request) -> Response:
        door = doors.get("GET" if request.method == "HEAD" else request.method)
        try:
            if door is None:
                side.seek(request)
                raise RefusedRequest(  # noqa: TRY301  one place answers all refusals
                    405,
                    "not-supported",
                    f"The method {request.method[:20]} is not for this address; there are: {allow}.",
                    {"Allow": allow},
                )
            parts = await _admitted(request, door)
            refuse_address(request)
            side.seek(request)
            side.admit(request)
            return await door.handler(request, parts, base_of(request, parts, side))
        except RefusedRequest as refused:
            return side.problem(refused.status, [refused.finding], refused.headers)
        except FhirmodError as error:
            return side.problem(status_of(error), error.findings, headers_of(error))
        except Exception as error:  # noqa: BLE001  whatever it is, the client gets a sentence and the log the place
            note(request, error)
            return side.problem(500, [UNEXPECTED], {})

    return endpoint


async def _admitted(request: Request, door: Door) -> Parts:
    """Return the parts with who asks, if that caller may come through this door.

    Shape:  who asks is made out once for a request; the entries of a batch are asked for by the same caller.
    Errors: RefusedRequest (401) without a good token, (403) without the scopes.
    """
    parts: Parts = request.app.state.parts
    if door.needs is None or parts.tokens is None:
        return parts
    caller: Caller | None = request.scope.get(_CALLER)
    if caller is None:
        caller = await run_in_threadpool(parts.tokens, request.headers.getlist("authorization"))
        request.scope[_CALLER] = caller
    caller.require(door.needs(request.path_params))
    return replace(parts, caller=caller)


def caller_of(request: Request) -> Caller:
    """Return who asks, as it was made out at the door."""
    caller: Caller = request.scope.get(_CALLER, HERE)
    return caller


def every_method(path: str, endpoint: Endpoint) -> Route:
    """Return the route that leaves the choice of method to the endpoint, so that its refusal is ours."""
    route = Route(path, endpoint)
    route.methods = None
    return route


def base_of(request: Request, parts: Parts, side: Side) -> str:
    """Return the address at which a side begins, as its clients see it, without a slash at the end."""
    if parts.settings.base_url is not None:
        return parts.settings.base_url.rstrip("/") + side.path
    seen = str(request.base_url).rstrip("/")
    return (seen.removesuffix(side.path) if side.path else seen) + side.path
