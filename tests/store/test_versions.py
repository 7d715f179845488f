"""Versions and history (FHIR R4 http://hl7.org/fhir/R4/http.html#versions, #delete, #history)."""

import pytest

from fhirmod.errors import ForbiddenError, NotFoundError
from fhirmod.store import Access, Store, Version, open_store

from .rows import ALL, NOW, carrying, gone, put, write


def test_what_was_never_written_is_none(store: Store) -> None:
    assert store.read(lambda r: r.get(ALL, "Observation", "o1")) is None
    assert store.read(lambda r: r.vread(ALL, "Observation", "o1", 1)) is None
    assert store.read(lambda r: r.history(ALL, "Observation", "o1")) == []


def test_each_put_is_a_version_and_none_is_lost(store: Store) -> None:
    assert write(store, put(body=b"one", method="POST")) == [1]
    assert write(store, put(body=b"two")) == [2]
    current = Version("Observation", "o1", 2, NOW, "asserted", "PUT", b"two", None)
    assert store.read(lambda r: r.get(ALL, "Observation", "o1")) == current
    history = store.read(lambda r: r.history(ALL, "Observation", "o1"))
    assert [(each.version, each.method, each.body) for each in history] == [
        (2, "PUT", b"two"),
        (1, "POST", b"one"),
    ]
    first = store.read(lambda r: r.vread(ALL, "Observation", "o1", 1))
    assert first is not None
    assert first.body == b"one"
    assert store.read(lambda r: r.vread(ALL, "Observation", "o1", 3)) is None


def test_the_same_id_under_two_types_is_two_resources(store: Store) -> None:
    assert write(store, put("x"), put("x", type_="Procedure")) == [1, 1]


def test_a_deletion_is_a_version_and_a_later_put_revives(store: Store) -> None:
    token = ("identifier", "urn:x", "1")
    write(store, put(body=b"one", tokens=(token,)))
    assert write(store, gone()) == [2]
    deleted = store.read(lambda r: r.get(ALL, "Observation", "o1"))
    assert deleted is not None
    assert (deleted.body, deleted.method, deleted.version) == (None, "DELETE", 2)
    assert store.read(lambda r: r.identified(ALL, "Observation", "urn:x", "1")) == []
    assert store.read(lambda r: r.search(ALL, "Observation", count=5)).total == 0
    assert write(store, put(body=b"three", tokens=(token,))) == [3]
    assert store.read(lambda r: r.identified(ALL, "Observation", "urn:x", "1")) == ["o1"]
    bodies = [each.body for each in store.read(lambda r: r.history(ALL, "Observation", "o1"))]
    assert bodies == [b"three", None, b"one"]


def test_deleting_what_was_never_there_is_refused_and_leaves_nothing(store: Store) -> None:
    with pytest.raises(NotFoundError, match="There is no Observation/o2 to delete"):
        write(store, put("o1"), gone("o2"))
    assert store.read(lambda r: r.get(ALL, "Observation", "o1")) is None


def test_one_resource_put_twice_in_one_call_gets_two_versions(store: Store) -> None:
    first = put(body=b"one", tokens=(("code", "", "a"),))
    second = put(body=b"two", tokens=(("code", "", "b"),))
    assert write(store, first, put("o2"), second) == [1, 1, 2]
    found = store.read(lambda r: r.search(ALL, "Observation", [carrying("code", (None, "b"))], count=5))
    assert [each.body for each in found.versions] == [b"two"]
    lost = store.read(lambda r: r.search(ALL, "Observation", [carrying("code", (None, "a"))], count=5))
    assert lost.total == 0


def test_a_body_may_wait_for_its_version_number(store: Store) -> None:
    body = put(body=lambda version, updated: f"{version}|{updated}".encode())
    write(store, body)
    write(store, body)
    current = store.read(lambda r: r.get(ALL, "Observation", "o1"))
    assert current is not None
    assert current.body == f"2|{NOW}".encode()


@pytest.mark.parametrize(
    "body",
    [
        '{"text":"Grüße, 産後, \U0001f3e5, e\u0301"}'.encode(),
        b'{ "value" : 1.50 ,\r\n\t"x":1e2}\n',
        b"\x00\xff\xfe'\";--",
        b"",
        b"0123456789abcdef" * 2**17,
    ],
    ids=["non-ascii", "spacing", "any-bytes", "empty", "2MiB"],
)
def test_the_exact_bytes_come_back_after_a_restart(url: str, body: bytes) -> None:
    with open_store(url) as store:
        write(store, put(body=body))
    with open_store(url) as store:
        found = store.read(lambda r: r.get(ALL, "Observation", "o1"))
        assert found is not None
        assert found.body == body


def test_many_are_read_in_one_statement(store: Store) -> None:
    write(store, *[put(f"o{number}", body=b"%d" % number) for number in range(700)])
    before = store.counters.read_statements
    keys = [("Observation", f"o{number}") for number in range(0, 400, 2)] + [("Observation", "none")]
    found = store.read(lambda r: r.get_many(ALL, keys))
    assert store.counters.read_statements == before + 1
    assert found.keys() == set(keys[:-1])
    assert found["Observation", "o398"].body == b"398"


def test_contradictory_puts_are_the_callers_fault(store: Store) -> None:
    with pytest.raises(ValueError, match="a DELETE has no body"):
        write(store, put(method="DELETE"))
    with pytest.raises(ValueError, match="a DELETE has no body"):
        write(store, put(body=None))
    with pytest.raises(ValueError, match="needs the episode's version"):
        write(store, put(episode="e1"))


def test_every_call_asks_who_may(store: Store) -> None:
    reads, nothing = Access("r", frozenset({"read"})), Access("n", frozenset())
    assert store.read(lambda r: r.get(reads, "Observation", "o1")) is None
    with pytest.raises(ForbiddenError, match="asked for 'write' by 'r', who holds read; grant 'write'"):
        store.write(lambda w: w.put(reads, [put()], NOW))
    with pytest.raises(ForbiddenError, match="who holds nothing"):
        store.read(lambda r: r.history(nothing, "Observation", "o1"))
