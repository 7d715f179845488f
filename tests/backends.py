"""The two databases that every test of the record runs on, and what is said where one of them is missing."""

import atexit
import os
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache

import pytest

from fhirmod.store import open_store
from fhirmod.store.tables import METADATA

from .postgresql import Server, binaries, cluster

_EMPTY = ";".join(
    [f"DELETE FROM {name}" for name in METADATA.tables]
    + ["SELECT setval(oid, 1, false) FROM pg_class WHERE relkind = 'S' AND relnamespace = 'public'::regnamespace"]
)
_free: list[str] = []  # databases with our tables, empty: emptying one is sooner done than making one
BACKENDS = ("sqlite", "postgresql")


def missing(what: str, reason: str) -> None:
    """Skip the test with the reason; where FHIRMOD_REQUIRE names what is missing, fail it."""
    if what in os.environ.get("FHIRMOD_REQUIRE", "").split(","):
        pytest.fail(f"FHIRMOD_REQUIRE asks for {what}, but {reason}")
    pytest.skip(reason)


@cache
def _started() -> Server:
    stack = ExitStack()
    atexit.register(stack.close)
    return stack.enter_context(cluster())


def server() -> Server:
    """Return the PostgreSQL of this run."""
    if binaries() is None:
        missing("postgresql", "PostgreSQL is not installed here (Debian: apt-get install postgresql)")
    return _started()


@contextmanager
def fresh_url(backend: str) -> Iterator[str]:
    """Return the address of an empty store of our tables, gone afterwards."""
    if backend == "sqlite":
        with tempfile.TemporaryDirectory() as folder:
            yield f"sqlite:///{folder}/record.db"
    else:
        running = server()
        if not _free:
            _free.append(running.database())
            open_store(_free[-1]).close()
        url = _free.pop()
        yield url
        running.run(_EMPTY, url)
        _free.append(url)
