"""The commands as a person types them: what they print, and one sentence where something is wrong."""

import re
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

from fhirmod import __version__
from fhirmod.cli.commands import app


def fhirmod(*arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "fhirmod.cli", *arguments]
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, timeout=60, check=False)


def test_the_demo_is_loaded_shown_within_eighty_columns_and_rebuilt_to_the_same(tmp_path: Path) -> None:
    loaded = fhirmod("demo", cwd=tmp_path)
    ids = [found[0] for line in loaded.stdout.splitlines() if (found := re.match(r"[0-9a-f]{8}-[0-9a-f-]{27}", line))]
    assert all(len(line) <= 80 for line in loaded.stdout.splitlines())
    assert "Demonstration and drill data are invented." in loaded.stdout
    assert (tmp_path / "fhirmod-data" / "fhirmod.db").exists()
    assert len(fhirmod("show", cwd=tmp_path).stdout.splitlines()) == len(ids)
    for one in ids:
        shown = fhirmod("show", one, cwd=tmp_path)
        assert shown.returncode == 0, shown.stderr
        assert max(map(len, shown.stdout.splitlines())) <= 80
        assert "It does not diagnose" in shown.stdout
    assert fhirmod("rebuild", cwd=tmp_path).stdout == "0 resources differed from what the entries say.\n"
    again = fhirmod("demo", cwd=tmp_path)
    assert again.returncode == 0
    assert "accepted" not in again.stdout


def test_the_version_is_said_and_every_command_has_help_with_an_example(tmp_path: Path) -> None:
    said = fhirmod("--version", cwd=tmp_path)
    assert (said.returncode, said.stdout, said.stderr) == (0, f"fhirmod {__version__}\n", "")
    assert __version__ == version("fhirmod")
    for command in app.registered_commands:
        assert command.callback is not None
        name = command.name or command.callback.__name__.replace("_", "-")
        shown = fhirmod(name, "--help", cwd=tmp_path)
        assert shown.returncode == 0
        assert f"Example: fhirmod {name}" in " ".join(shown.stdout.split())
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("show", "x"), "There is no file fhirmod-data/fhirmod.db; `fhirmod serve` or `fhirmod demo` makes one"),
        (("serve", "--host", "0.0.0.0"), "without authentication it listens on this machine only"),
        (("serve", "--protocol", "none.toml"), "The site protocol none.toml cannot be read"),
    ],
)
def test_what_is_wrong_is_one_sentence_and_exit_code_1(arguments: tuple[str, ...], says: str, tmp_path: Path) -> None:
    done = fhirmod(*arguments, cwd=tmp_path)
    assert done.returncode == 1
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_showing_what_is_not_there_or_at_no_time_says_so(tmp_path: Path) -> None:
    fhirmod("demo", cwd=tmp_path)
    assert "There is no episode 'x'" in fhirmod("show", "x", cwd=tmp_path).stderr
    assert "must be an instant with offset" in fhirmod("show", "x", "--as-of", "noon", cwd=tmp_path).stderr


def test_a_code_map_is_named_wrong_row_by_row_and_comes_into_force_by_rebuild(tmp_path: Path) -> None:
    assert fhirmod("demo", cwd=tmp_path).returncode == 0
    (tmp_path / "codes.csv").write_text("system,code,concept\nurn:x,A,blood-los\n")
    refused = fhirmod("rebuild", "--code-map", "codes.csv", cwd=tmp_path)
    assert refused.returncode == 1
    assert refused.stderr.startswith("Row 2 of the code map cannot be used: there is no concept 'blood-los'")
    (tmp_path / "codes.csv").write_text("system,code,concept\nurn:x,A,blood-loss\n")
    refused = fhirmod("serve", "--port", "0", "--code-map", "codes.csv", cwd=tmp_path)
    assert (refused.returncode, "fhirmod rebuild --code-map" in refused.stderr) == (1, True)
    done = fhirmod("rebuild", "--code-map", "codes.csv", cwd=tmp_path)
    assert done.stdout == "0 resources differed from what the entries say.\n"
