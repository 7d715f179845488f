from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.store import open_store


@pytest.fixture
def new_intake(tmp_path: Path) -> Iterator[Callable[[], Intake]]:
    opened: list[Intake] = []

    def make() -> Intake:
        store = open_store(f"sqlite:///{tmp_path}/{len(opened)}.db")
        opened.append(Intake(store, Protocol.default()))
        return opened[-1]

    yield make
    for one in opened:
        one.store.close()


@pytest.fixture
def intake(new_intake: Callable[[], Intake]) -> Intake:
    return new_intake()
