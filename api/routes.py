"""The one table of the bedside routes: what the application serves and OpenAPI describes comes from it."""

from collections import defaultdict
from dataclasses import dataclass
from typing import Literal, cast

from starlette.requests import Request
from starlette.routing import Route

from . import bedside
from .guard import Door, Handler, Needs, Side, every_method, guarded
from .problems import as_json
from .scopes import Bedside


@dataclass(frozen=True, slots=True)
class BedsideRoute:
    """One thing a bedside client can do: its name in OpenAPI, method and path, the scope it needs, its handler."""

    name: str
    method: Literal["GET", "POST"]
    path: str
    scope: Literal["read", "write", "open"]
    handler: Handler

    @property
    def needs(self) -> tuple[Bedside, ...] | None:
        """Return the scopes that the caller needs, or None if no token is asked for.

        Shape: a scope of our own, for whole episodes: what is recorded of a woman is of many FHIR types at once.
        """
        return None if self.scope == "open" else (cast("Bedside", f"bedside.{self.scope}"),)


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
    by_path: defaultdict[str, dict[str, Door]] = defaultdict(dict)
    for one in ROUTES:
        by_path[one.path][one.method] = Door(one.handler, _door_of(one.needs))
    return [every_method(path, guarded(doors, BEDSIDE)) for path, doors in by_path.items()]


def _door_of(needs: tuple[Bedside, ...] | None) -> Needs | None:
    return None if needs is None else lambda _: needs
