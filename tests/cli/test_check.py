"""`fhirmod check`: what it says of each kind of file, its table, its exit codes, and that lines are read one by one."""

import json
import re
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from fhirmod.cli import checking
from fhirmod.cli.commands import app
from fhirmod.exchange import check_text
from fhirmod.r4 import check, dump, parse
from tests.r4.corpus import changed, invalid, valid

VALID = valid()
CORPUS = [*VALID.values(), *(changed(VALID[one["base"]], one) for one in invalid())]
GOOD = {"resourceType": "Patient", "id": "p1", "gender": "female"}
BAD = {"resourceType": "Patient", "id": "p2", "gender": "woman"}
FILL = {"kind": "fill", "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a01", "at": "2026-03-01T02:52:00Z", "volume_ml": 50}
IMPOSSIBLE = FILL | {"volume_ml": -5}
OPENING = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
CASES = Path(checking.__file__).parents[2] / "examples" / "cases"


def write(file: Path, *documents: Any) -> str:
    file.write_bytes(b"\n".join(dump(one) for one in documents) + b"\n")
    return str(file)


def run(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["check", *arguments])


def found(*arguments: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in run("--json", *arguments).stdout.splitlines()]


def test_it_says_what_check_says_over_the_whole_corpus(tmp_path: Path) -> None:
    file = write(tmp_path / "corpus.ndjson", *CORPUS)
    command = [sys.executable, "-m", "fhirmod.cli", "check", "--json", file]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 1, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert len(CORPUS) > 500
    for number, resource in enumerate(CORPUS, start=1):
        said = [
            (one["severity"], one["code"], one["issue"], one["place"], one["sentence"])
            for one in lines
            if one["line"] == number
        ]
        if "resourceType" in resource:
            wanted = [
                (one.severity, one.code, one.issue, one.place, one.sentence) for one in check(parse(dump(resource)))
            ]
            assert said == wanted


@pytest.mark.parametrize(
    ("document", "places"),
    [
        (GOOD, []),
        (BAD, ["Patient.gender"]),
        (
            {"resourceType": "Bundle", "type": "collection", "entry": [{"fullUrl": "urn:x:1", "resource": BAD}]},
            ["Bundle.entry[0].resource.gender"],
        ),
        (FILL, []),
        (IMPOSSIBLE, ["volume_ml"]),
        ([FILL, IMPOSSIBLE, 5], ["[1].volume_ml", "[2]"]),
        ({"opening": OPENING, "entries": [IMPOSSIBLE]}, ["entries[0].volume_ml"]),
        ({"opening": {"at": OPENING["at"]}, "entries": [FILL]}, ["opening.facility"]),
        ([GOOD], ["[0]"]),
        ({"entries": 5}, [""]),
        (5, [""]),
    ],
)
def test_each_kind_of_document_is_known_by_what_it_holds(tmp_path: Path, document: Any, places: list[str]) -> None:
    file = write(tmp_path / "any.json", document)
    assert [one["place"] for one in found(file) if one["severity"] == "error"] == places
    assert run(file).exit_code == (1 if places else 0)


def test_the_cases_we_bring_are_clean() -> None:
    files = sorted(str(file) for file in CASES.glob("*/entries.json"))
    assert len(files) >= 8
    done = run(*files)
    assert done.exit_code == 0
    assert re.search(rf"^{len(files)} checked, 0 refused, \d+ findings\n\Z", done.stdout, re.MULTILINE)


@pytest.mark.parametrize("name", ["lines.ndjson", "lines.json"])
def test_lines_are_known_by_name_or_by_content_and_named_by_number(tmp_path: Path, name: str) -> None:
    file = tmp_path / name
    file.write_bytes(b"\n".join([dump(GOOD), b"", dump(IMPOSSIBLE), b'{"resourceType":', dump(BAD)]))
    wrong = [(one["line"], one["code"]) for one in found(str(file)) if one["severity"] == "error"]
    assert [line for line, _ in wrong] == [3, 4, 5]
    assert wrong[1] == (4, "unreadable")
    assert "4 checked, 3 refused" in run(str(file)).stdout


def test_one_document_over_many_lines_is_one_document(tmp_path: Path) -> None:
    file = tmp_path / "indented.json"
    file.write_text('{"text": {"status": "empty", "div": "<div xmlns=\\"http://www.w3.org/1999/xhtml\\">x</div>"}\n'
                    ', "resourceType": "Patient"}\n')  # fmt: skip
    assert run(str(file)).stdout == "1 checked, 0 refused, 0 findings\n"
    file.write_text(json.dumps(BAD, indent=1))
    assert [one["line"] for one in found(str(file)) if one["severity"] == "error"] == [None]


def test_a_single_line_of_ndjson_is_line_one(tmp_path: Path) -> None:
    assert {one["line"] for one in found(write(tmp_path / "one.ndjson", BAD))} == {1}


def test_the_table_is_80_wide_without_colour_and_says_all_of_each_finding(tmp_path: Path) -> None:
    file = write(tmp_path / "a-file-with-a-rather-long-name-as-an-export-might-well-give-it.ndjson", *CORPUS)
    table = run(file).stdout
    assert "\x1b" not in table
    assert max(map(len, table.splitlines())) <= 80
    plain = "".join(table.split())
    for one in found(file):
        assert "".join(one["sentence"].split()) in plain
        if one["severity"] != "information":  # information said again is one line, with how often
            assert "".join(f"{one['severity'].upper()}{file}:{one['line']}{one['place']}".split()) in plain


def test_what_steers_a_terminal_is_shown_and_not_sent_to_it(tmp_path: Path) -> None:
    file = write(tmp_path / "red.json", BAD | {"gender": "\x1b[31mred"})
    assert "\x1b" not in run(file).stdout
    assert r"\x1b[31mred" in run(file).stdout


def test_a_file_that_cannot_be_read_is_said_and_the_others_are_checked(tmp_path: Path) -> None:
    done = run(str(tmp_path / "nowhere.json"), str(tmp_path), write(tmp_path / "bad.json", BAD))
    assert done.exit_code == 2
    assert "nowhere.json cannot be read (No such file or directory)" in done.stderr
    assert f"{tmp_path} cannot be read (Is a directory)" in done.stderr
    assert "Patient.gender" in done.stdout
    assert done.stdout.endswith("1 checked, 1 refused, 2 findings, 2 not readable\n")


def test_json_that_cannot_be_read_is_a_finding_with_line_and_column(tmp_path: Path) -> None:
    (tmp_path / "broken.json").write_text('{"resourceType": "Patient",\n "id": "a", "id": "b"}')
    [one] = found(str(tmp_path / "broken.json"))
    assert (one["code"], one["severity"]) == ("unreadable", "error")
    assert "line 2 column" in one["sentence"]


def test_a_warning_refuses_nothing(tmp_path: Path) -> None:
    warned = next(one for one in CORPUS if {found.severity for found in check(one)} >= {"warning"}
                  and not any(found.refuses for found in check(one)))  # fmt: skip
    done = run(write(tmp_path / "warned.json", warned))
    assert done.exit_code == 0
    assert "WARNING" in done.stdout


def test_progress_is_said_on_stderr_and_json_alone_on_stdout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checking, "PROGRESS_EVERY", 2)
    done = run("--json", write(tmp_path / "five.ndjson", *[GOOD] * 5))
    assert done.stderr.splitlines() == [
        "2 documents checked",
        "4 documents checked",
        "5 checked, 0 refused, 5 findings",
    ]
    assert all(json.loads(line)["severity"] == "information" for line in done.stdout.splitlines())


def test_a_long_file_says_of_each_line_what_a_short_one_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = write(tmp_path / "corpus.ndjson", *CORPUS)
    walked = found(file)
    monkeypatch.setattr(checking, "FEW", 0)
    assert found(file) == walked


def test_an_entry_of_a_bundle_is_held_to_the_profiles_it_claims_as_the_resource_alone_is() -> None:
    claimed = {"meta": {"profile": ["https://fhirmod.example.org/fhir/StructureDefinition/birth"]}}
    birth = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}} | claimed
    entry = {"fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001", "resource": birth}
    bundle = {"resourceType": "Bundle", "type": "collection", "entry": [entry]}
    alone = {(one.code, one.place.removeprefix("Observation")) for one in check_text(dump(birth)) if one.refuses}
    inside = {(one.code, one.place.removeprefix("Bundle.entry[0].resource")) for one in check_text(dump(bundle))}
    assert alone
    assert alone <= inside


def test_a_file_of_lines_is_never_held_whole(tmp_path: Path) -> None:
    file = Path(write(tmp_path / "many.ndjson", *[GOOD | {"contact": [{"name": {"text": "x" * 10_000}}]}] * 600))
    assert file.stat().st_size > 6_000_000
    for _ in checking.check_files([Path(write(tmp_path / "first.ndjson", GOOD, BAD))], checking.Tally()):
        pass  # the definitions are compiled once, before the measure
    check_text(dump(GOOD), many=True)
    tracemalloc.start()
    tally = checking.Tally()
    for _ in checking.check_files([file], tally):
        pass
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert (tally.documents, tally.refused) == (600, 0)
    assert peak < 1_000_000


def test_a_pipe_is_read_once_from_its_start() -> None:
    command = [sys.executable, "-m", "fhirmod.cli", "check", "--json", "/dev/stdin"]
    if not Path("/dev/stdin").exists():
        pytest.skip("no /dev/stdin on this system")
    done = subprocess.run(command, input=dump(GOOD) + b"\n" + dump(BAD), capture_output=True, check=False, timeout=60)
    assert done.returncode == 1, done.stderr
    assert [json.loads(line)["line"] for line in done.stdout.splitlines()][-1] == 2


def test_of_a_whole_case_it_says_what_the_rules_find_and_refuses_nothing(tmp_path: Path) -> None:
    placed = {
        "kind": "placement",
        "id": "6f2d0a34-5c1e-4c57-9a5e-0c3c0f6f8a09",
        "at": "2026-03-01T02:50:00Z",
        "label_max_ml": 500,
    }
    case = {"opening": OPENING, "entries": [placed, FILL | {"volume_ml": 510}]}
    [one] = [one for one in found(write(tmp_path / "case.json", case)) if one["code"] == "over-label"]
    assert (one["severity"], one["place"]) == ("warning", f"entries.where(id='{placed['id']}').label_max_ml")
    assert run(str(tmp_path / "case.json")).exit_code == 0


def test_information_said_again_is_one_line_after_what_is_worse(tmp_path: Path) -> None:
    file = write(tmp_path / "some.ndjson", GOOD, GOOD, BAD)
    lines = run(file).stdout.splitlines()
    heads = [line.split()[0] for line in lines if line[:1].isupper()]
    assert heads == ["ERROR", "INFORMATION"]
    assert "dom-6 in 3 places:" in " ".join(lines)
    assert lines[-1] == "3 checked, 1 refused, 4 findings"
