"""A private PostgreSQL for tests and benchmarks: a cluster in a temporary folder, on a Unix socket there.

It is found on the PATH or where Debian puts it, started by an unprivileged user (PostgreSQL refuses root), and
gone afterwards. Its databases sort by a language's rules, not by bytes, so that what relies on the order of bytes
without asking for it is found out.
"""

import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any
from urllib.parse import quote

PROGRAMS = ("initdb", "postgres")
SETTINGS = {"max_connections": "150", "shared_buffers": "64MB", "autovacuum_naptime": "5s"}
NOT_DURABLE = {"fsync": "off", "synchronous_commit": "on", "full_page_writes": "off"}


def binaries() -> Path | None:
    """Return the newest folder with the server's programs, or None if it is not installed."""
    on_path = [Path(found).resolve().parent for name in PROGRAMS if (found := shutil.which(name))]
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name), reverse=True)
    for folder in (*debian, *on_path):
        if all((folder / name).exists() for name in PROGRAMS):
            return folder
    return None


@dataclass
class Server:
    """A running cluster."""

    folder: Path
    process: subprocess.Popen[bytes]
    _numbers: Iterator[int] = field(default_factory=lambda: count(1))

    def url(self, database: str) -> str:
        """Return the address of a database."""
        return f"postgresql://keeper@/{database}?host={quote(str(self.folder), safe='')}"

    def database(self) -> str:
        """Return the address of a new, empty database."""
        name = f"t{next(self._numbers)}"
        self.run(f"CREATE DATABASE {name}")
        return self.url(name)

    def drop(self, url: str) -> None:
        """Return nothing; the database is gone, and who was still in it is put out."""
        self.run(f"DROP DATABASE IF EXISTS {url.partition('@/')[2].partition('?')[0]} WITH (FORCE)")

    def run(self, statement: str, url: str | None = None) -> list[Any]:
        """Return the rows that one statement gives."""
        import psycopg

        with psycopg.connect(url or self.url("postgres"), autocommit=True) as connection:
            cursor = connection.execute(statement.encode())
            return cursor.fetchall() if cursor.description else []


@contextmanager
def cluster(*, durable: bool = False) -> Iterator[Server]:
    """Run a cluster until the block ends; without `durable` it does not wait for the disk."""
    programs = binaries()
    assert programs is not None, "PostgreSQL is not installed"
    user = _unprivileged()
    with tempfile.TemporaryDirectory(prefix="fhirmod-pg-") as name:
        folder = Path(name)
        if user is not None:
            os.chown(folder, user, -1)
        made: list[str | Path] = [
            programs / "initdb",
            "--pgdata",
            folder / "data",
            "--username=keeper",
            "--encoding=UTF8",
            "--no-sync",
        ]
        made += ["--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en-US", "--auth=trust"]
        done = subprocess.run(made, user=user, cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        settings = SETTINGS | ({} if durable else NOT_DURABLE)
        options = [part for pair in settings.items() for part in ("-c", "=".join(pair))]
        command: list[str | Path] = [programs / "postgres", "-D", folder / "data", "-k", folder, "-h", "", *options]
        with (
            (folder / "log").open("wb") as log,
            subprocess.Popen(command, user=user, cwd=folder, stderr=log, stdout=log) as process,
        ):
            try:
                server = Server(folder, process)
                _wait(server)
                yield server
            finally:
                process.send_signal(2)  # a fast shutdown: connections are cut
                process.wait(30)


def _unprivileged() -> int | None:
    """Return the user to run as, or None to stay who we are."""
    if os.geteuid() != 0:
        return None
    names = {one.pw_name: one.pw_uid for one in pwd.getpwall()}
    return names.get("postgres", names.get("nobody", 65534))


def _wait(server: Server) -> None:
    import psycopg

    for _ in range(600):
        assert server.process.poll() is None, (server.folder / "log").read_text()
        try:
            server.run("SELECT 1")
        except psycopg.OperationalError:
            time.sleep(0.02)
        else:
            return
    raise TimeoutError("PostgreSQL gave no answer within 12 s")
