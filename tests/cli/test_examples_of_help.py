"""The example in each command's help works as it stands; small commands load no more than they need."""

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fhirmod.cli.commands import app
from fhirmod.r4 import dump
from tests.examples.told import EXAMPLES

EXAMPLE = re.compile(r"Example: fhirmod (.*?)(?:\n\n|$)", re.DOTALL)
ORDER = ("demo", "show", "convert", "check", "rules", "package", "rebuild", "jobs")
HELP = {
    str(command.name or command.callback.__name__): EXAMPLE.findall(command.callback.__doc__ or "")
    for command in app.registered_commands
    if command.callback is not None
}
LIST_MODULES = (
    "import sys; from fhirmod.cli import main\ntry: main()\nfinally: print('\\n'.join(sys.modules), file=sys.stderr)"
)
CASE = EXAMPLES / "cases" / "straightforward" / "entries.json"


def python(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *arguments], cwd=cwd, capture_output=True, text=True, timeout=60, check=False
    )


def test_each_command_has_an_example_and_all_but_the_service_run_as_they_stand(tmp_path: Path) -> None:
    shutil.copy(CASE, tmp_path / "case.json")
    (tmp_path / "export.ndjson").write_bytes(dump({"resourceType": "Patient", "id": "p"}) + b"\n")
    assert all(len(found) == 1 for found in HELP.values()), HELP
    assert set(HELP) - set(ORDER) == {"serve"}
    for name in (one for one in ORDER if one in HELP):
        done = python("-m", "fhirmod.cli", *HELP[name][0].split(), cwd=tmp_path)
        assert (done.returncode, done.stderr) == (0, ""), (name, done.stderr)


@pytest.mark.parametrize(
    ("arguments", "spared"),
    [
        (["show", str(CASE)], {"sqlalchemy", "alembic", "fastapi", "starlette", "uvicorn"}),
        (["check", str(CASE)], {"sqlalchemy", "alembic", "fastapi", "starlette", "uvicorn"}),
        (["show", "--db", "ward.db"], {"alembic", "fastapi", "starlette", "uvicorn"}),
        (["--version"], {"pydantic", "sqlalchemy", "fastapi"}),
    ],
)
def test_a_small_command_loads_neither_web_framework_nor_store_it_does_not_need(
    arguments: list[str], spared: set[str], tmp_path: Path
) -> None:
    if "ward.db" in arguments:
        assert python("-m", "fhirmod.cli", "demo", "--stories", "1", "--db", "ward.db", cwd=tmp_path).returncode == 0
    done = python("-c", LIST_MODULES, *arguments, cwd=tmp_path)
    assert done.returncode == 0, done.stderr[-500:]
    assert spared & set(done.stderr.splitlines()) == set()
