from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.store import open_store
from tests.backends import fresh_url


@pytest.fixture
def new_intake(backend: str) -> Iterator[Callable[[], Intake]]:
    with ExitStack() as stack:

        def make() -> Intake:
            store = stack.enter_context(open_store(stack.enter_context(fresh_url(backend))))
            return Intake(store, Protocol.default())

        yield make


@pytest.fixture
def intake(new_intake: Callable[[], Intake]) -> Intake:
    return new_intake()
