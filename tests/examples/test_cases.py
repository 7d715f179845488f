"""Every example says at its named minutes what stands beside it, through the sums and through FHIR, and is clean.

Expected values were worked out by hand from each story; those of the three scenarios come from outside the project.
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from fhirmod.episode import Episode, Protocol
from fhirmod.exchange import case_bundle, check_text, demo_cases, partner_cases
from fhirmod.intake import Intake
from fhirmod.store import open_store
from fhirmod.validation import RULES, assessed
from tests.compute.case import record_codes
from tests.intake.case import ALL, request

from .told import BEDSIDE, EXAMPLES, FOLDERS, PARTNER, episode, expected, told, value_at

NAMES = [folder.name for folder in FOLDERS]


@contextmanager
def fresh() -> Iterator[Intake]:
    with tempfile.TemporaryDirectory() as folder, open_store(f"sqlite:///{folder}/case.db") as store:
        yield Intake(store, Protocol.default())


def assert_as_expected(found: Episode, folder: Path, *, known: bool = True) -> None:
    """Fail if the state at a named minute differs; `known` asks what was known too, where received times are kept."""
    for wanted in expected(folder).states:
        known_at = wanted.get("known_at")
        if known_at and not known:
            continue
        as_of = datetime.fromisoformat(wanted["as_of"])
        then = None if known_at is None else datetime.fromisoformat(known_at)
        shown = assessed(found, as_of=as_of, known_at=then, protocol=Protocol.default())
        document = shown.document()
        says = {path: value_at(document, path) for path in wanted["says"]}
        assert says == wanted["says"], wanted["as_of"]
        if "findings" in wanted and known:
            assert record_codes(shown) == wanted["findings"]


def test_there_are_nine_examples_or_more_and_each_tells_its_story() -> None:
    assert len(FOLDERS) >= 9
    names = {one.name for one in demo_cases()} | {one.name for one in partner_cases()}
    assert {folder.name for folder in FOLDERS} == names
    for folder in FOLDERS:
        lines = (folder / "story.md").read_text("utf-8").splitlines()
        assert lines[0].startswith("# ")
        assert any(line.startswith("What to look at:") for line in lines)
        assert len(expected(folder).states) >= 1


def test_the_readme_of_the_examples_lists_every_case_with_its_title_and_every_script() -> None:
    readme = (EXAMPLES / "README.md").read_text("utf-8")
    for folder in FOLDERS:
        title = (folder / "story.md").read_text("utf-8").splitlines()[0].removeprefix("# ")
        assert f"| [{folder.name}](cases/{folder.name}/story.md) | {title} |" in readme
    assert readme.count("](cases/") == len(FOLDERS)
    assert all(f"]({path.name})" in readme for path in EXAMPLES.iterdir() if path.suffix in (".py", ".toml"))


@pytest.mark.parametrize("folder", BEDSIDE, ids=lambda folder: folder.name)
def test_the_state_at_the_named_minutes_is_what_is_expected(folder: Path) -> None:
    assert_as_expected(episode(folder), folder)


@pytest.mark.parametrize("folder", BEDSIDE, ids=lambda folder: folder.name)
def test_it_is_recorded_sent_on_as_fhir_and_still_says_what_is_expected(folder: Path) -> None:
    given = told(folder)
    with fresh() as here, fresh() as there:
        opened = here.open(request(), given["opening"])[0].row.id
        receipt = here.append(request(), opened, given["entries"])
        assert {one.status for one in receipt.entries} <= {"accepted", "repeat", "waiting"}
        assert all(one.status == "accepted" for one in receipt.released)
        live = here.snapshot(ALL, opened)
        assert_as_expected(live.episode, folder, known=False)
        bundle = here.store.read(lambda reader: case_bundle(reader, ALL, opened, "http://a/fhir", type="transaction"))
        assert not [one for one in check_text(bundle) if one.refuses]
        _, taken = there.transaction(request(), bundle)
        assert taken.unread == ()
        assert_as_expected(there.snapshot(ALL, opened).episode, folder, known=False)


@pytest.mark.parametrize("folder", PARTNER, ids=lambda folder: folder.name)
def test_what_another_system_wrote_says_what_is_expected_and_what_stays_unread(folder: Path) -> None:
    text = (folder / "bundle.json").read_bytes()
    with fresh() as here, fresh() as there:
        _, receipt = here.transaction(request(), text)
        assert receipt.episode is not None
        assert sorted(one.reference for one in receipt.unread) == list(expected(folder).unread)
        assert_as_expected(here.snapshot(ALL, receipt.episode).episode, folder, known=False)
        written, _ = here.transaction(request(), text)
        assert not any(one.written for one in written)
        assert here.rebuild(request()) == 0
        name = receipt.episode
        bundle = here.store.read(lambda reader: case_bundle(reader, ALL, name, "http://a/fhir", type="transaction"))
        there.transaction(request(), bundle)
        assert_as_expected(there.snapshot(ALL, name).episode, folder, known=False)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_check_finds_nothing_wrong_in_an_example_but_what_the_rules_say(folder: Path) -> None:
    name = "entries.json" if folder in BEDSIDE else "bundle.json"
    found = check_text((folder / name).read_bytes())
    assert {one.code for one in found} <= set(RULES)
    assert not [one for one in found if one.refuses]


@pytest.mark.parametrize("folder", BEDSIDE, ids=lambda folder: folder.name)
def test_the_rules_find_in_a_bundle_what_they_find_in_its_entries(folder: Path) -> None:
    given = told(folder)
    with fresh() as here:
        name = here.open(request(), given["opening"])[0].row.id
        here.append(request(), name, given["entries"])
        bundle = here.store.read(lambda reader: case_bundle(reader, ALL, name, "http://a/fhir"))
    in_bundle = {(one.code, one.place) for one in check_text(bundle) if one.code in RULES}
    in_entries = {(one.code, one.place) for one in check_text((folder / "entries.json").read_bytes())}
    of_the_course = {name for name in RULES if not name.startswith("record-")}  # what was taken back is not in a Bundle
    assert {one for one in in_bundle if one[0] in of_the_course} == {
        one for one in in_entries if one[0] in of_the_course
    }


def test_every_example_is_a_drill() -> None:
    assert all(case.opening["drill"] is True for case in demo_cases())
    for case in partner_cases():
        with fresh() as here:
            _, receipt = here.transaction(request(), case.bundle)
            assert receipt.episode is not None
            assert here.snapshot(ALL, receipt.episode).row.drill


def test_a_path_that_leads_nowhere_is_not_taken_for_a_value() -> None:
    document: dict[str, Any] = {"a": [{"name": "x", "b": 1}]}
    assert value_at(document, "a[x].b") == value_at(document, "a[0].b") == 1
    with pytest.raises(LookupError):
        value_at(document, "a.b")
