"""A service with an empty store, joined as for the tests of the API, and the intake behind it."""

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

from .trap import Service


@pytest.fixture
def service(url: str) -> Iterator[Service]:
    seconds, ids = count(), count(1)
    start = datetime(2026, 3, 2, tzinfo=UTC)
    clock = Clock(
        lambda: start + timedelta(seconds=next(seconds)),
        lambda: str(UUID(int=next(ids) + (9 << 96) + (4 << 76) + (8 << 60))),
    )
    settings = Settings(db=url.removeprefix("sqlite:///"))
    with open_store(url) as store:
        intake = Intake(store, Protocol.default())
        with TestClient(create_app(settings, intake, clock), raise_server_exceptions=False) as client:
            yield Service(client, intake)
