"""The one table of the bedside routes: what the application serves and OpenAPI describes comes from it."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Literal

from starlette.requests import Request
from starlette.routing import Route

from . import bedside
from .guard import Handler, Side, every_method, guarded
from .problems import as_json


@dataclass(frozen=True, slots=True)
class BedsideRoute:
    """One thing a bedside client can do: its name in OpenAPI, method and path, the scope it needs, its handler."""

    name: str
    method: Literal["GET", "POST"]
    path: str
    scope: Literal["read", "write", "open"]
    handler: Handler


ROUTES: tuple[BedsideRoute, ...] = (
    BedsideRoute("open-episode", "POST", "/episodes", "write", bedside.open_episode),
    BedsideRoute("list-episodes", "GET", "/episodes", "read", bedside.list_episodes),
    BedsideRoute("read-episode", "GET", "/episodes/{episode}", "read", bedside.read_episode),
    BedsideRoute("append-entries", "POST", "/episodes/{episode}/entries", "write", bedside.append_entries),
    BedsideRoute("read-entries", "GET", "/episodes/{episode}/entries", "read", bedside.read_entries),
    BedsideRoute("read-state", "GET", "/episodes/{episode}/state", "read", bedside.read_state),
    BedsideRoute("read-findings", "GET", "/episodes/{episode}/findings", "read", bedside.read_findings),
    BedsideRoute("read-bundle", "GET", "/episodes/{episode}/bundle", "read", bedside.read_bundle),
    BedsideRoute("read-held", "GET", "/episodes/{episode}/held", "read", bedside.read_held),
    BedsideRoute("health", "GET", "/health", "open", bedside.health),
)


def _admit(request: Request) -> None:
    """Return nothing: the bedside side answers JSON whatever is accepted."""


BEDSIDE = Side("", as_json, _admit)


def bedside_routes() -> list[Route]:
    """Return one route for each path of the table; the endpoint judges the method."""
    by_path: defaultdict[str, dict[str, Handler]] = defaultdict(dict)
    for one in ROUTES:
        by_path[one.path][one.method] = one.handler
    return [every_method(path, guarded(handlers, BEDSIDE)) for path, handlers in by_path.items()]
