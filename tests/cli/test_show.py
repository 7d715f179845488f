"""How an episode reads in a terminal: 80 columns, no colour, times and ages as people say them."""

import subprocess
import sys
from pathlib import Path

import pytest

from fhirmod.cli.showing import PART_WORDS, timeline
from fhirmod.compute.depends import DEPENDS
from tests.compute.case import Case
from tests.examples.told import BEDSIDE, EXAMPLES, FOLDERS

CASES = EXAMPLES / "cases"


def fhirmod(*arguments: str, cwd: Path, given: bytes = b"") -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "fhirmod.cli", *arguments]
    done = subprocess.run(command, cwd=cwd, capture_output=True, input=given, timeout=60, check=False)
    return subprocess.CompletedProcess(command, done.returncode, done.stdout.decode(), done.stderr.decode())


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("shown")
    assert fhirmod("demo", cwd=folder).returncode == 0
    return folder


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_file_is_shown_in_eighty_columns_without_colour_and_without_a_store(folder: Path, tmp_path: Path) -> None:
    name = "entries.json" if folder in BEDSIDE else "bundle.json"
    shown = fhirmod("show", str(folder / name), cwd=tmp_path)
    assert (shown.returncode, shown.stderr) == (0, "")
    lines = shown.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    assert "\x1b" not in shown.stdout
    assert [line[0] for line in lines if line[:1].isdigit() and line[1:2] == " "] == list("1234567")
    assert "It does not diagnose" in shown.stdout
    assert list(tmp_path.iterdir()) == []


def test_the_seven_lines_say_what_is_known_first_and_each_reason_once(loaded: Path) -> None:
    shown = fhirmod("show", "785b", "--as-of", "2026-03-01T04:20:00+01:00", cwd=loaded).stdout
    text = " ".join(shown.split())
    assert "1 balloon in; number 1; placed 02:50; time in place 1 h 30 min; recorded in minus out 300 mL" in text
    assert "pressure 112/70 (28 min ago); pulse 96 /min (10 min ago)" in text
    assert "next check due 04:07; overdue since 04:12" in text
    assert "removal window until 2026-03-02 02:50" in text  # another day than that of the question
    assert "6 stops not recorded: refuses blood, allergies, latex allergy" in text


def test_the_timeline_says_values_as_people_write_them(tmp_path: Path) -> None:
    shown = fhirmod("show", str(CASES / "offline-queue" / "entries.json"), cwd=tmp_path).stdout.splitlines()
    assert "  03:31 fill                50 mL, corrected: a nought too many, by midwife" in shown
    assert "  03:12 medication          oxytocin, 10 IU, intramuscular, by midwife" in shown
    assert shown[-2:] == ["taken back", "  03:20 medication          wrong woman: given to the woman in bed 5"]
    text = " ".join(" ".join(shown).split())
    assert "04:00 vital signs 106/68 mmHg, pulse 98/min, mental state alert, by midwife" in text
    assert "160 mL, written 30 min later, corrected: dry weight taken off, by nurse" in text
    assert "SOON Entry 808a6beb-3ab8-5890-bd18-f47bd4a71f58 has 2 corrections" in text


def test_the_separators_of_a_scan_are_shown_as_pictures_and_nothing_steers_the_terminal() -> None:
    case = Case()
    case.at("02:50", "placement", udi="01095011010209171712040810ABC\x1d21XYZ")
    lines = list(timeline(case.episode, as_of=case.moment("03:00")))
    assert "udi 01095011010209171712040810ABC␝21XYZ" in lines[1]
    assert all(line.isprintable() for line in lines)


def test_two_balloons_are_told_apart(tmp_path: Path) -> None:
    shown = " ".join(fhirmod("show", str(CASES / "expelled" / "entries.json"), cwd=tmp_path).stdout.split())
    assert "20:43 fill 50 mL, balloon 1, by midwife" in shown
    assert "21:35 placement balloon 2, label max 500 mL" in shown


def test_what_is_unread_is_named(tmp_path: Path) -> None:
    shown = " ".join(fhirmod("show", str(CASES / "from-another-system" / "bundle.json"), cwd=tmp_path).stdout.split())
    assert "UNREAD Observation/mz-50009: its code (PAD-CNT) is none that is recorded here" in shown
    assert "misoprostol, not given" in shown


def test_known_at_hides_what_had_not_been_received(tmp_path: Path) -> None:
    name = str(CASES / "typed-afterwards" / "entries.json")
    asked = ("show", name, "--as-of", "2026-07-08T17:00:00-05:00", "--known-at", "2026-07-08T17:00:00-05:00")
    assert "1 balloon    none" in fhirmod(*asked, cwd=tmp_path).stdout


def test_standard_input_is_a_file_too(tmp_path: Path) -> None:
    text = (CASES / "drill" / "entries.json").read_bytes()
    assert "manikin" in fhirmod("show", "-", cwd=tmp_path, given=text).stdout


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("show", "zzz"), "`fhirmod show --db fhirmod-data/fhirmod.db` lists what is there."),
        (("show", "785b", "--as-of", "noon"), "The time of --as-of must be an instant with offset such as"),
        (("show", "785b", "--known-at", "2026-03-01"), "The time of --known-at must be an instant with offset"),
        (("show", ""), "episodes begin with ''; give more letters of the id."),
        (
            ("show", "fhirmod-data/fhirmod.db"),
            "is a record, not a file of entries or FHIR; `fhirmod show --db fhirmod-data",
        ),
        (("show", "nowhere.db"), "nowhere.db cannot be read (No such file or directory)"),
        (("show", "nowhere.db"), "a record is named with --db."),
        (("serve", "--workers", "x"), "The option --workers takes a whole number from 1 to 64; got 'x'."),
        (("serve", "--port", "65536"), "The option --port takes a whole number from 0 to 65535; got '65536'."),
        (("jobs", "--revive", "1", "--revive", "abc"), "The option --revive takes a whole number from 1 to "),
        (("demo", "--stories", "0"), "The option --stories takes a whole number from 1 to 1000000; got '0'."),
    ],
)
def test_what_cannot_be_shown_or_asked_says_what_to_do_next(
    arguments: tuple[str, ...], says: str, loaded: Path
) -> None:
    done = fhirmod(*arguments, cwd=loaded)
    assert (done.returncode, done.stdout) == (1, "")
    assert says in done.stderr
    assert done.stderr.count("\n") == 1


def test_an_empty_record_says_how_to_fill_it_and_an_entry_that_cannot_be_read_which(tmp_path: Path) -> None:
    (tmp_path / "letter.json").write_text(
        '{"opening": {"at": "2026-03-01T02:00:00Z", "facility": {"id": "x"}}, "entries": [{}]}'
    )
    done = fhirmod("show", "letter.json", cwd=tmp_path)
    assert done.returncode == 1
    assert done.stderr.startswith("Entry 0 cannot be read: The field kind must name a kind of entry")
    assert fhirmod("demo", "--stories", "1", "--db", "one.db", cwd=tmp_path).returncode == 0
    assert len(fhirmod("show", "--db", "one.db", cwd=tmp_path).stdout.splitlines()) == 1


def test_each_part_of_the_state_that_can_be_incomplete_has_words() -> None:
    assert set(PART_WORDS) == set(DEPENDS)


def test_an_index_of_another_set_says_its_time_and_a_drill_and_the_last_entry_stand_at_the_head(loaded: Path) -> None:
    for shown in (
        fhirmod("show", "f7642", cwd=loaded).stdout,
        fhirmod("show", str(CASES / "from-another-system" / "bundle.json"), cwd=loaded).stdout,
    ):
        assert "shock index 1.298 of 02:15" in " ".join(shown.split())  # 122 / 94, of the case's own set of 02:15
        first, second = shown.splitlines()[:2]
        assert first.endswith(" DRILL")
        assert second == "as of the last entry, 2026-10-03 13:05+02:00"
        assert "by-state" not in shown
