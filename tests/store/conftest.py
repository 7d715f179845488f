"""A store in an empty file for each test."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from fhirmod.store import Store, open_store


@pytest.fixture
def url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'record.db'}"


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as opened:
        yield opened
