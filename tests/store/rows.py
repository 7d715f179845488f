"""Invented rows for the store's tests."""

from typing import Any

from fhirmod.store import Access, EpisodeRow, Put, Store
from fhirmod.store.lane import Lane

ALL = Access.whole("test")
NOW = "2026-03-01T10:00:00Z"


def put(id_: str = "o1", body: Any = b"{}", type_: str = "Observation", **more: Any) -> Put:
    return Put(type_, id_, more.pop("owner", "asserted"), more.pop("method", "PUT"), body, **more)


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
