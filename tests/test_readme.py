"""What the README shows is what happens: its sessions are run against a real service in an empty folder."""

import doctest
import os
import re
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
SESSIONS = re.findall(r"```console\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)
BIN = Path(sys.executable).parent


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    folder = tmp_path_factory.mktemp("readme")
    command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(port)]
    with subprocess.Popen(command, cwd=folder, stderr=subprocess.DEVNULL) as process:
        try:
            for _ in range(100):
                try:
                    urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=1).close()
                    break
                except OSError:
                    time.sleep(0.1)
            yield f"127.0.0.1:{port}"
        finally:
            process.terminate()


@pytest.mark.parametrize("session", SESSIONS, ids=["service", "terminal"])
def test_a_session_of_the_readme_gives_the_output_it_shows(session: str, service: str, tmp_path: Path) -> None:
    environment = os.environ | {"PATH": f"{BIN}{os.pathsep}{os.environ['PATH']}"}
    checker = doctest.OutputChecker()
    for step in session.split("$ ")[1:]:
        command, _, wanted = step.partition("\n")
        done = subprocess.run(
            command.replace("127.0.0.1:8000", service),
            shell=True, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        got = done.stdout if done.stdout.endswith("\n") else f"{done.stdout}\n"
        assert checker.check_output(wanted, got, doctest.ELLIPSIS), f"{command}\n{got}\n{done.stderr}"


def test_the_two_commands_are_those_that_ci_runs() -> None:
    commands = re.findall(r"```sh\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), re.DOTALL)[0].splitlines()
    ci = (ROOT / ".ci/run").read_text("utf-8")
    assert len(commands) == 2
    for command in commands:
        install = command.split("&& ")[1].strip().removeprefix(".venv/bin/pip install ")
        assert install.replace(".[test]", ".[dev]") in ci.replace("-q --disable-pip-version-check ", "")
