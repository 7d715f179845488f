"""An episode's verdicts use the site protocol it was opened with, whatever the site uses today."""

from pathlib import Path

from fhirmod.episode import Protocol
from fhirmod.intake import Intake

from .case import ALL, opened, request

EXAMPLE = Path(__file__).parents[2] / "examples" / "site_protocol.toml"


def test_an_episode_keeps_the_protocol_it_was_opened_with(intake: Intake) -> None:
    first = opened(intake)
    site = Protocol.read(EXAMPLE.read_bytes())
    later = Intake(intake.store, site)
    second = opened(later)
    again = Intake(intake.store, Protocol.default())
    used = [again.snapshot(ALL, episode).protocol.hash for episode in (first, second)]
    assert used == [Protocol.default().hash, site.hash]
    assert later.snapshot(ALL, first).protocol.of("watch.every_min.in_transit").value == 15
    assert again.snapshot(ALL, second).protocol.of("watch.every_min.in_transit").value == 10


def test_each_version_of_a_protocol_is_kept_once_with_its_text(intake: Intake) -> None:
    opened(intake)
    opened(intake)
    kept = intake.store.read(lambda reader: reader.search(ALL, "Library", count=5)).versions
    assert [one.version for one in kept] == [1]


def test_a_protocol_that_is_not_kept_here_gives_way_to_the_current_one(intake: Intake) -> None:
    stamp = {"id": "elsewhere", "hash": "0" * 64, "software": "another"}
    snapshot, _ = intake.open(request(), {"facility": {"id": "x"}, "at": "2026-03-01T02:00:00Z", "protocol": stamp})
    assert snapshot.protocol is intake.protocol
