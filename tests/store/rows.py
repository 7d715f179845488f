"""Invented rows for the store's tests."""

from typing import Any

from fhirmod.store import Access, Clause, EpisodeRow, Put, Sought, Store, Value
from fhirmod.store.lane import Lane

ALL = Access.whole("test")
NOW = "2026-03-01T10:00:00Z"


Tokens = tuple[tuple[str, str, str], ...]  # (param, system, value), and references: (param, type, id)


def put(id_: str = "o1", body: Any = b"{}", type_: str = "Observation", **more: Any) -> Put:
    also = values_of(more.get("tokens", ()), more.get("references", ()))
    values = (*more.pop("values", ()), *also)
    return Put(type_, id_, more.pop("owner", "asserted"), more.pop("method", "PUT"), body, values=values, **more)


def values_of(tokens: Tokens, references: Tokens) -> tuple[Value, ...]:
    """Return the search values of tokens and references."""
    coded = [(param, value, system, 0.0, 0.0) for param, system, value in tokens if param != "identifier"]
    return (*coded, *[(param, id_, type_, 0.0, 0.0) for param, type_, id_ in references])


def carrying(param: str, *alternatives: tuple[str | None, str | None]) -> Sought:
    """Return the criterion for any of these (system, value), None for any of either."""
    return Sought((param,), tuple(_token(*one) for one in alternatives))


def referring(param: str, type_: str, *ids: str) -> Sought:
    return carrying(param, *[(type_, id_) for id_ in ids])


def _token(system: str | None, value: str | None) -> Clause:
    named: Clause = (("text", "=", value), ("low", "=", 0.0)) if value is not None else ()
    return named if system is None else (*named, ("scope", "=", system))


def gone(id_: str = "o1", type_: str = "Observation", **more: Any) -> Put:
    return put(id_, None, type_, method="DELETE", **more)


def write(store: Store, *puts: Put, episode_version: int | None = None) -> list[int]:
    return store.write(lambda w: w.put(ALL, puts, NOW, episode_version))


def opened(store: Store, id_: str = "e1", **more: Any) -> str:
    row = EpisodeRow(id_, 0, "Procedure", f"{id_}.anchor", NOW, "ward-1", **more)
    store.write(lambda w: w.create_episode(ALL, row))
    return id_


def write_in(store: Store, episode: str, *puts: Put) -> int:
    """Return the episode's version at which these puts were written."""

    def work(w: Any) -> int:
        w.lock(ALL, episode)
        version = int(w.bump(ALL, episode))
        w.put(ALL, [each._replace(episode=episode) for each in puts], NOW, version)
        return version

    return store.write(work)


def lane_of(store: Store) -> Lane:
    """Return the one writing thread that a store in SQLite has."""
    assert isinstance(store._lane, Lane)
    return store._lane
