"""An empty store for each test, on both databases; `sqlite_store` for what only SQLite has."""

from collections.abc import Iterator

import pytest

from fhirmod.store import Store, open_store


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as opened:
        yield opened


@pytest.fixture
def sqlite_store(sqlite_url: str) -> Iterator[Store]:
    with open_store(sqlite_url) as opened:
        yield opened
