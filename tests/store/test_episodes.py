"""Episodes, their members and their entries."""

from operator import methodcaller
from typing import Any

import pytest

from fhirmod.errors import ConflictError, NotFoundError
from fhirmod.store import EntryRow, EpisodeRow, HeldRow, OutboxRow, Store

from .rows import ALL, NOW, gone, opened, put, write, write_in


def test_an_episode_is_opened_once_and_read_back(store: Store) -> None:
    row = EpisodeRow("e1", 0, "Procedure", "a", NOW, "ward-1", "open", True, "site@1", "0.1")
    store.write(lambda w: w.create_episode(ALL, row))
    assert store.read(lambda r: r.episode(ALL, "e1")) == row
    assert store.read(lambda r: r.episode(ALL, "e2")) is None
    with pytest.raises(ConflictError, match="Episode 'e1' was opened before"):
        store.write(lambda w: w.create_episode(ALL, row))


def test_bump_counts_and_sets_the_status(store: Store) -> None:
    opened(store)
    assert store.write(lambda w: w.bump(ALL, "e1")) == 1
    assert store.write(lambda w: w.bump(ALL, "e1", "closed")) == 2
    assert store.write(lambda w: w.bump(ALL, "e1")) == 3
    head = store.write(lambda w: w.lock(ALL, "e1"))
    assert (head.version, head.status) == (3, "closed")
    for work in (methodcaller("lock", ALL, "e9"), methodcaller("bump", ALL, "e9")):
        with pytest.raises(NotFoundError, match="There is no episode 'e9'"):
            store.write(work)


def test_a_bump_leaves_its_stamp(store: Store) -> None:
    opened(store, stamp="s0")
    store.write(lambda w: w.bump(ALL, "e1", stamp="s1"))
    assert store.write(lambda w: w.lock(ALL, "e1")).stamp == "s1"
    store.write(lambda w: w.bump(ALL, "e1", "closed", stamp="s2"))
    assert store.write(lambda w: w.lock(ALL, "e1")).stamp == "s2"


def test_episodes_are_listed_last_opened_first_by_status_and_page(store: Store) -> None:
    for number in range(5):
        opened(store, f"e{number}")
    store.write(lambda w: w.bump(ALL, "e3", "closed"))

    def ids(**asked: Any) -> list[str]:
        return [row.id for row in store.read(lambda r: r.episodes(ALL, **asked))]

    assert ids() == ["e4", "e3", "e2", "e1", "e0"]
    assert ids(status="open", limit=2) == ["e4", "e2"]
    assert ids(status="open", limit=2, after="e2") == ["e1", "e0"]
    assert ids(status="closed") == ["e3"]


def test_members_are_all_versions_newer_than_asked_in_the_order_of_writing(store: Store) -> None:
    opened(store)
    write_in(store, "e1", put("o2", b"a"), put("o1", b"b", owner="derived"))
    write_in(store, "e1", put("o2", b"c"))
    write_in(store, "e1", gone("o1"), put("o3", b"d", owner="assembled"))
    write(store, put("elsewhere"))

    def seen(after: int) -> list[tuple[object, ...]]:
        versions = store.read(lambda r: r.members(ALL, "e1", after))
        return [(v.id, v.version, v.owner, v.body, v.episode_version) for v in versions]

    everything = [
        ("o2", 1, "asserted", b"a", 1),
        ("o1", 1, "derived", b"b", 1),
        ("o2", 2, "asserted", b"c", 2),
        ("o1", 2, "asserted", None, 3),
        ("o3", 1, "assembled", b"d", 3),
    ]
    assert seen(0) == everything
    assert seen(1) == everything[2:]
    assert seen(3) == []
    derived = store.read(lambda r: r.members(ALL, "e1", owner="derived"))
    assert [(v.id, v.version) for v in derived] == [("o1", 1)]
    assert store.read(lambda r: r.members(ALL, "e1", 1, owner="derived")) == []


def test_membership_has_a_basis_and_may_be_several(store: Store) -> None:
    opened(store, "e1")
    opened(store, "e2")
    write_in(store, "e1", put("p", b"1", basis="references the anchor"))
    write_in(store, "e1", put("p", b"2", basis="came in one Bundle"))

    def join(w: Any) -> int:
        version = int(w.bump(ALL, "e2"))
        w.join(ALL, "e2", version, [("Observation", "p", "same Encounter")])
        return version

    assert store.write(join) == 1
    assert store.read(lambda r: r.episode_of(ALL, "Observation", "p")) == [
        ("e1", "references the anchor"),
        ("e2", "same Encounter"),
    ]
    assert store.read(lambda r: r.episode_of(ALL, "Observation", "none")) == []
    seen = store.read(lambda r: r.members(ALL, "e2"))
    assert [(v.body, v.episode_version) for v in seen] == [(b"1", 1), (b"2", 1)]
    # a new version written in one episode shows in the other once joined there, and only once
    write_in(store, "e1", put("p", b"3"))
    assert store.write(join) == 2
    assert store.write(join) == 3
    seen = store.read(lambda r: r.members(ALL, "e2", 1))
    assert [(v.body, v.version, v.episode_version) for v in seen] == [(b"3", 3, 2)]


def test_what_was_here_before_the_episode_joins_with_its_history(store: Store) -> None:
    write(store, put("p", b"1"))
    write(store, put("p", b"2"))
    opened(store)
    store.write(lambda w: w.join(ALL, "e1", w.bump(ALL, "e1"), [("Observation", "p", None)]))
    assert [v.body for v in store.read(lambda r: r.members(ALL, "e1"))] == [b"1", b"2"]


def test_entries_are_accepted_once(store: Store) -> None:
    rows = [EntryRow(f"n{number}", bytes([number]), NOW, "e1") for number in range(3)]
    store.write(lambda w: w.log_entries(ALL, rows))
    assert store.read(lambda r: r.entry(ALL, "n1")) == rows[1]
    assert store.read(lambda r: r.entry(ALL, "n9")) is None
    assert store.read(lambda r: r.entries(ALL, ["n2", "n9", "n0", "n2"])) == {"n0": rows[0], "n2": rows[2]}
    assert store.read(lambda r: r.entries(ALL, [])) == {}
    with pytest.raises(ConflictError, match="One of the entries 'n5', 'n1' was accepted before"):
        store.write(lambda w: w.log_entries(ALL, [EntryRow("n5", b"", NOW, "e1"), rows[1]]))
    assert store.read(lambda r: r.entry(ALL, "n5")) is None


def test_what_waits_is_kept_as_sent_until_released(store: Store) -> None:
    broken = HeldRow("e1", "k2", "repair", None, None, b'{"volume":\xff', "The volume was ...", "2026-03-01T10:00:02Z")
    early = HeldRow("e1", "k1", "original", "n1", "n2", b"{}", "It corrects n1 ...", "2026-03-01T10:00:01Z")
    store.write(lambda w: w.hold(ALL, [broken, early]))
    store.write(lambda w: w.hold(ALL, [broken]))
    assert store.read(lambda r: r.held(ALL, "e1")) == [early, broken]
    assert store.read(lambda r: r.held(ALL, "e2")) == []
    store.write(lambda w: w.release(ALL, "e2", ["k1"]))
    store.write(lambda w: w.release(ALL, "e1", ["k1", "none"]))
    assert store.read(lambda r: r.held(ALL, "e1")) == [broken]


def test_the_outbox_keeps_its_order_and_never_gives_a_number_twice(store: Store) -> None:
    rows = [OutboxRow("moved", f"e{number}", b"%d" % number, NOW) for number in range(3)]
    store.write(lambda w: w.outbox(ALL, rows))
    assert store.read(lambda r: r.outgoing(ALL)) == list(enumerate(rows, start=1))
    assert [number for number, _ in store.read(lambda r: r.outgoing(ALL, after=1, count=1))] == [2]
    store.write(lambda w: w.sent(ALL, [2, 3]))
    store.write(lambda w: w.outbox(ALL, rows[:1]))
    assert [number for number, _ in store.read(lambda r: r.outgoing(ALL))] == [1, 4]
