"""A real `fhirmod serve` process on a free port, and a plain client to talk to it."""

import http.client
import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass
class Service:
    """One running process and where it listens."""

    process: subprocess.Popen[bytes]
    port: int

    def ask(self, path: str, value: Any = None, method: str | None = None) -> Any:
        """Return the JSON answer; a refusal is an error of the test."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        try:
            body = None if value is None else value if isinstance(value, bytes) else json.dumps(value)
            headers = {} if value is None else {"Content-Type": "application/json"}
            connection.request(method or ("GET" if value is None else "POST"), path, body, headers)
            answer = connection.getresponse()
            text = answer.read()
            assert answer.status < 300, (answer.status, text[:800])
            return json.loads(text)
        finally:
            connection.close()

    def kill(self) -> None:
        """End the process as a power cut would."""
        self.process.kill()
        self.process.wait()


def free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


_AS_SET = "import sys; from api import Settings; from api.serving import run; run(Settings(**eval(sys.argv[1])))"


@contextmanager
def running(db: Path | str, *options: str, **settings: Any) -> Iterator[Service]:
    """Run a service on a file, or on a database server, until the block ends; with settings that have no option too."""
    port = free_port()
    command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(port), "--db", str(db), *options]
    if settings:
        command = [sys.executable, "-c", _AS_SET, repr({"port": port, "db": str(db)} | settings)]
    with subprocess.Popen(command, stderr=subprocess.DEVNULL) as process:
        try:
            _wait(process, port)
            yield Service(process, port)
        finally:
            process.terminate()
            process.wait(30)


def _wait(process: subprocess.Popen[bytes], port: int) -> None:
    for _ in range(400):
        assert process.poll() is None, "the service ended before it answered"
        with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=1)) as connection, suppress(OSError):
            connection.request("GET", "/health")
            if connection.getresponse().read():
                return
        time.sleep(0.02)
    raise TimeoutError("the service gave no answer within 8 s")
