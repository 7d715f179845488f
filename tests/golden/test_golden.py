"""Every record that a release wrote is still read, by its entries, its FHIR and its database, and says the same."""

import gzip
import json
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from api.record import renew
from fhirmod import __version__
from fhirmod.episode import Episode, Protocol
from fhirmod.intake import Asking, Intake, criterion
from fhirmod.r4 import parse
from fhirmod.store import Reader, Store, open_store
from tests.intake.case import ALL, request

from .__main__ import main
from .facts import facts

RELEASES = sorted(path.parent for path in Path(__file__).parent.glob("*/facts.json"))


def said(folder: Path) -> dict[str, Any]:
    return dict(parse((folder / "facts.json").read_bytes()))


def assert_as_said(episode: Episode, of: dict[str, Any]) -> None:
    for moment, wanted in of.items():
        found = facts(episode, moment)
        assert {path: found.get(path) for path in wanted} == wanted, moment


def kept() -> dict[Path, bytes]:
    return {path: path.read_bytes() for folder in RELEASES for path in folder.rglob("*") if path.is_file()}


def fresh(folder: Path) -> Store:
    return open_store(f"sqlite:///{folder / 'golden.db'}")


def test_this_version_has_its_golden_files_and_they_are_never_written_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert __version__ in {folder.name for folder in RELEASES}
    before = kept()
    assert main() == 1
    assert "never written again" in capsys.readouterr().out
    assert kept() == before


@pytest.mark.parametrize("folder", RELEASES, ids=lambda folder: folder.name)
def test_the_entries_of_a_release_still_say_the_same(folder: Path, tmp_path: Path) -> None:
    wanted = said(folder)
    told: dict[str, list[Any]] = {}
    for line in (folder / "entries.jsonl").read_bytes().splitlines():
        entry = parse(line)
        if entry["kind"] == "opening" and "corrects" not in entry:
            told[entry["id"]] = current = [entry]
        else:
            current.append(entry)
    assert told
    with fresh(tmp_path) as store:
        intake = Intake(store, Protocol.default())
        for name, (opening, *entries) in told.items():
            intake.open(request(), opening)
            statuses = {one.status for one in intake.append(request(), name, entries, distinct=True).entries}
            assert statuses <= {"accepted", "repeat", "waiting"}
            assert_as_said(intake.snapshot(ALL, name).episode, wanted[name])


@pytest.mark.parametrize("folder", RELEASES, ids=lambda folder: folder.name)
def test_the_bundles_of_a_release_still_say_the_same(folder: Path, tmp_path: Path) -> None:
    with fresh(tmp_path) as store:
        intake = Intake(store, Protocol.default())
        read = set()
        for file in sorted((folder / "bundles").iterdir()):
            _, receipt = intake.transaction(request(), gzip.decompress(file.read_bytes()))
            assert receipt.episode is not None
            read.add(receipt.episode)
            assert_as_said(intake.snapshot(ALL, receipt.episode).episode, said(folder)[receipt.episode])
        assert read == set(said(folder))


@pytest.mark.parametrize("folder", RELEASES, ids=lambda folder: folder.name)
def test_the_database_of_a_release_is_opened_still_says_the_same_and_can_be_added_to(
    folder: Path, tmp_path: Path
) -> None:
    (tmp_path / "golden.db").write_bytes(gzip.decompress((folder / "record.db.gz").read_bytes()))
    with fresh(tmp_path) as store:
        intake = Intake(store, Protocol.default())
        for name, wanted in said(folder).items():
            assert_as_said(intake.snapshot(ALL, name).episode, wanted)
        intake.rebuild(request())
        assert intake.rebuild(request()) == 0
        note = {"kind": "note", "id": "5b1d5e9c-7c1f-4d5e-8a43-1c2b3a4d5e6f", "at": "2026-11-02T00:00:00Z", "text": "x"}
        for name, wanted in said(folder).items():
            [result] = intake.append(request(), name, [note | {"id": note["id"][:-12] + name[-12:]}]).entries
            assert result.status == "accepted"
            assert_as_said(intake.snapshot(ALL, name).episode, {moment: one for moment, one in wanted.items() if one})


@pytest.mark.parametrize("folder", RELEASES, ids=lambda folder: folder.name)
def test_the_database_of_a_release_is_searched_as_a_plain_look_at_it_would_find(
    folder: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Whoever serves it makes the index anew first, once, and says so."""
    (tmp_path / "golden.db").write_bytes(gzip.decompress((folder / "record.db.gz").read_bytes()))
    with fresh(tmp_path) as store:
        intake = Intake(store, Protocol.default())
        for expected in (["was written by an earlier version", "index is made"], []):
            caplog.clear()
            renew(intake, ALL)
            said = [one.getMessage() for one in caplog.records]
            assert len(said) == len(expected)
            assert all(part in one for part, one in zip(expected, said, strict=True))
        found = store.read(lambda reader: reader.search(ALL, "Observation", count=10_000)).versions
        wanted = Counter(
            (coding["system"], coding["code"])
            for version in found
            for coding in parse(version.body or b"")["code"].get("coding", ())
        )
        assert wanted.total() > 100
        asking = Asking("", request().now)
        for (system, code), count in wanted.items():
            one = criterion("Observation", "code", f"{system}|{code}", asking)
            page = store.read(partial(Reader.search, access=ALL, type_="Observation", criteria=[one], count=0))
            assert page.total == count, code


def test_the_facts_speak_of_more_than_one_moment_and_more_than_ten_things_each() -> None:
    for folder in RELEASES:
        for moments in json.loads((folder / "facts.json").read_text()).values():
            assert len(moments) == 2
            assert all(len(one) > 10 for one in moments.values())
