"""`fhirmod convert`, as a real process: both ways, whole or in lines, and what is lost is said."""

import json
from pathlib import Path
from typing import Any

import pytest

from fhirmod.episode import read_entry
from fhirmod.exchange import check_text
from fhirmod.r4 import dump, parse
from fhirmod.stories import stories
from tests.examples.told import BEDSIDE, EXAMPLES, told

from .test_show import CASES, fhirmod

PARTNER = (CASES / "from-another-system" / "bundle.json").read_bytes()


def converted(text: bytes, *options: str, cwd: Path) -> bytes:
    done = fhirmod("convert", *options, cwd=cwd, given=text)
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout.encode()


def entries(documents: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return entries by id, with what the sender may leave out filled in."""
    return {one["id"]: read_entry(one).document() for one in documents}


@pytest.mark.parametrize("name", ["never-controlled", "arrived-with-a-balloon", "drill"])
def test_entries_come_back_from_fhir_as_they_went(name: str, tmp_path: Path) -> None:
    given = told(EXAMPLES / "cases" / name)
    bundle = converted(dump(given), "--strict", cwd=tmp_path)
    assert not [finding for finding in check_text(bundle) if finding.refuses]
    assert parse(bundle)["type"] == "transaction"
    back = parse(converted(bundle, "--strict", cwd=tmp_path))
    assert entries(back["entries"]) == entries(given["entries"])
    assert given["opening"].items() <= back["opening"].items()


def test_every_example_of_entries_converts_without_loss(tmp_path: Path) -> None:
    for folder in BEDSIDE:
        text = (folder / "entries.json").read_bytes()
        bundle = converted(text, "--collection", "--strict", cwd=tmp_path)
        assert parse(bundle)["type"] == "collection"


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    name = str(CASES / "drill" / "entries.json")
    assert fhirmod("convert", name, "-o", "bundle.json", cwd=tmp_path).returncode == 0
    assert fhirmod("check", "bundle.json", cwd=tmp_path).returncode == 0
    assert fhirmod("convert", "bundle.json", "-o", "bundle.json", cwd=tmp_path).returncode == 0
    assert "entries" in parse((tmp_path / "bundle.json").read_bytes())
    (tmp_path / "letter.json").write_text('{"dear": "colleague"}')
    done = fhirmod("convert", "letter.json", "-o", "none.json", cwd=tmp_path)
    assert done.returncode == 1
    assert "neither FHIR (with resourceType) nor a case" in done.stderr
    assert not (tmp_path / "none.json").exists()


def test_lines_carry_many_cases_both_ways(tmp_path: Path) -> None:
    many = [[one.opening, *one.entries] for one in stories(3, 4, dirt="some")]
    lines = b"".join(dump(entry) + b"\n" for case in many for entry in case)
    done = fhirmod("convert", cwd=tmp_path, given=lines)
    assert done.returncode == 1
    assert "There are 3 cases in it; one document holds one case, --lines writes them all." in done.stderr
    resources = converted(lines, "--lines", cwd=tmp_path)
    assert all("resourceType" in json.loads(line) for line in resources.splitlines())
    back = [json.loads(line) for line in converted(resources, "--lines", "--strict", cwd=tmp_path).splitlines()]
    assert {one["id"] for one in back if one["kind"] == "opening"} == {case[0]["id"] for case in many}
    gone = {entry["retracts"] for case in many for entry in case if entry["kind"] == "retraction"}
    gone |= {entry["corrects"] for case in many for entry in case if "corrects" in entry}
    sent = {entry["id"] for case in many for entry in case}
    assert sent - gone <= {one["id"] for one in back} <= sent


def test_what_is_unread_is_said_and_strict_fails(tmp_path: Path) -> None:
    done = fhirmod("convert", cwd=tmp_path, given=PARTNER)
    assert done.returncode == 0
    assert done.stderr.splitlines() == [
        "Observation/mz-50009: its code (PAD-CNT) is none that is recorded here",
        "Observation/mz-50010: its status says that it is preliminary, so nothing happened yet that could be read",
    ]
    assert {one["kind"] for one in parse(done.stdout.encode())["entries"]} >= {"placement", "fill", "removal"}
    assert fhirmod("convert", "--strict", cwd=tmp_path, given=PARTNER).returncode == 1


def test_an_entry_that_is_refused_is_left_out_and_said(tmp_path: Path) -> None:
    given = told(CASES / "drill")
    wrong = {
        "kind": "fill",
        "id": "0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80003",
        "at": "2026-09-01T09:19:00Z",
        "volume_ml": -5,
    }
    text = dump({"opening": given["opening"], "entries": [*given["entries"], wrong]})
    done = fhirmod("convert", "--strict", cwd=tmp_path, given=text)
    assert done.returncode == 1
    assert done.stderr.startswith("entry 0b51e7a4-6a0c-4c5e-9b1a-7d3f52c80003: The field volume_ml is not usable")
    assert parse(done.stdout.encode())["resourceType"] == "Bundle"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"", "Nothing was given; wanted entries or FHIR as JSON."),
        (b"[]", "Nothing was given"),
        (b'[{"kind": "fill"}]', "The first entry must be an opening, which says where and when the record begins"),
        (b'{"resourceType": "Patient", "id": "p"}', "No Procedure in it has the code of a uterine balloon tamponade"),
        (b"{", "JSON"),
    ],
)
def test_what_cannot_be_converted_says_what_to_do_next(text: bytes, says: str, tmp_path: Path) -> None:
    done = fhirmod("convert", cwd=tmp_path, given=text)
    assert (done.returncode, done.stdout) == (1, "")
    assert says in done.stderr


def test_what_convert_writes_check_reads_through_a_pipe(tmp_path: Path) -> None:
    bundle = converted((CASES / "drill" / "entries.json").read_bytes(), cwd=tmp_path)
    done = fhirmod("check", "-", cwd=tmp_path, given=bundle)
    assert done.returncode == 0
    assert done.stdout.splitlines()[-1].startswith("1 checked, 0 refused")


def test_stories_are_written_as_lines_that_check_and_convert_read(tmp_path: Path) -> None:
    done = fhirmod("demo", "--stories", "4", "--seed", "3", "--dirt", "much", "--write", "many.jsonl", cwd=tmp_path)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    lines = [parse(line) for line in (tmp_path / "many.jsonl").read_bytes().splitlines()]
    told = [entry for one in stories(4, 3, dirt="much") for entry in (one.opening, *one.entries)]
    assert [dump(one) for one in lines] == [dump(one) for one in told]
    assert fhirmod("check", "many.jsonl", cwd=tmp_path).returncode == 0
    assert fhirmod("convert", "many.jsonl", "--lines", "--strict", cwd=tmp_path).returncode == 0
