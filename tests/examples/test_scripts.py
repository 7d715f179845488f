"""Every script of the examples runs as a person would run it, and says what its first lines promise."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.e2e.service import running

from .told import EXAMPLES

SAYS = {
    "record_a_case.py": ["refused The field volume_ml is not usable: it cannot be below 0 mL", "minus out 600 mL"],
    "to_fhir_and_back.py": ["0 unread", "the same"],
    "check_what_you_have.py": ["findings refuse", 'did you mean "volume_ml"?'],
    "use_a_site_protocol.py": ["default 1: in minus out 15 mL, no-verdict", "clinic-a 2: in minus out 15 mL, within"],
    "talk_to_the_service.py": ["recorded in minus out: 300 mL", "nothing changed"],
}
FAILS = {"check_what_you_have.py"}


def run(name: str, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(EXAMPLES / name), *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=60, check=False)


def test_every_script_is_tried_here() -> None:
    assert {path.name for path in EXAMPLES.glob("*.py")} == set(SAYS)


@pytest.mark.parametrize("name", sorted(SAYS.keys() - {"talk_to_the_service.py"}))
def test_a_script_says_what_it_promises(name: str, tmp_path: Path) -> None:
    done = run(name, cwd=tmp_path)
    assert done.returncode == (name in FAILS), done.stderr
    for sentence in SAYS[name]:
        assert sentence in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_script_that_talks_to_a_service_is_answered_by_one(tmp_path: Path) -> None:
    with running(tmp_path / "record.db") as service:
        done = run("talk_to_the_service.py", f"http://127.0.0.1:{service.port}", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for sentence in SAYS["talk_to_the_service.py"]:
        assert sentence in done.stdout
