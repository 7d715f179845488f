"""A service joined with a real database, SQLite's and PostgreSQL's in turn, and a clock that ticks one second a request."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from uuid import UUID

import pytest
from starlette.testclient import TestClient

from api import Settings, create_app
from api.clock import Clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.store import open_store


@pytest.fixture
def client(url: str) -> Iterator[TestClient]:
    seconds, ids = count(), count(1)
    start = datetime(2026, 3, 2, tzinfo=UTC)
    clock = Clock(
        lambda: start + timedelta(seconds=next(seconds)),
        lambda: str(UUID(int=next(ids) + (7 << 96) + (4 << 76) + (8 << 60))),
    )
    settings = Settings(db=url.removeprefix("sqlite:///"), max_body_bytes=200_000)
    with open_store(url) as store:
        app = create_app(settings, Intake(store, Protocol.default()), clock)
        with TestClient(app, raise_server_exceptions=False) as talking:
            yield talking
