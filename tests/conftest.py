"""What every test may ask for: a database of each kind, in turn."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from .backends import BACKENDS, fresh_url, server


@pytest.fixture(params=BACKENDS)
def backend(request: Any) -> str:
    return str(request.param)


@pytest.fixture
def sqlite_url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'record.db'}"


@pytest.fixture
def postgresql_url() -> Iterator[str]:
    with fresh_url("postgresql") as url:
        yield url


@pytest.fixture
def empty_postgresql_url() -> Iterator[str]:
    running = server()
    url = running.database()
    yield url
    running.drop(url)


@pytest.fixture
def url(request: Any, backend: str) -> str:
    return str(request.getfixturevalue(f"{backend}_url"))
