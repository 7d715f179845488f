"""Partner Bundles with a trap in each: what they must be read as, what must stay unread, and nothing lost.

Every folder is one trap: ``bundle.json`` (or several, sent in the order of their names) and ``expected.json``.
The partners, their systems, codes and people are invented; so is every course.
"""

from pathlib import Path
from typing import Any

import pytest

from tests.intake.case import request

from .trap import FHIR, Sent, Service, Trap, at, content, fits

HERE = Path(__file__).parent
NOON = "2026-03-01T12:00:00Z"
FOLDERS = sorted(path.parent for path in HERE.glob("*/expected.json"))
TRAPS = [Trap.of(folder) for folder in FOLDERS]
REFUSED = [trap for trap in TRAPS if "refused" in trap.expected]
TAKEN = [trap for trap in TRAPS if "refused" not in trap.expected]


def by_name(traps: list[Trap]) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("trap", traps, ids=[trap.name for trap in traps])


def told(service: Service, name: str, anchor: str, as_of: str) -> dict[str, Any]:
    """Return the entries that stand (the opening aside) and the state of the episode of an anchor."""
    episode = service.episodes().get(anchor)
    assert episode is not None, f"{name} is the anchor of no episode"
    entries = service.get(f"/episodes/{episode}/entries")["entries"]
    return {
        "version": service.get(f"/episodes/{episode}")["version"],
        "standing": [one for one in entries if one["kind"] != "opening"],
        "state": service.get(f"/episodes/{episode}/state?as_of={as_of}"),
    }


def receipt(sent: list[Sent]) -> dict[str, dict[str, Any]]:
    return {
        "read": {one.name: one.read for one in sent if one.read is not None},
        "unread": {one.name: one.unread for one in sent if one.unread is not None},
        "ignored": {one.name: one.ignored for one in sent if one.ignored is not None},
    }


def judge_receipt(sent: list[Sent], expected: dict[str, Any]) -> None:
    got = receipt(sent)
    assert got["read"] == expected.get("read", {})
    for word in ("unread", "ignored"):
        wanted = expected.get(word, {})
        assert set(got[word]) == set(wanted), got[word]
        for name, says in wanted.items():
            assert says in got[word][name], f"{name}: {got[word][name]}"


def judge_stored(service: Service, sent: list[Sent]) -> None:
    """Fail unless everything sent is served again word for word, but for its identity and the links led elsewhere."""
    links = {one.full_url: one.reference for one in sent if one.full_url and one.reference}
    links |= {one.name: one.reference for one in sent if one.reference}
    for one in sent:
        if one.ignored is not None or one.found:
            continue
        answer = service.client.get(f"/fhir/{one.reference}")
        assert answer.status_code == 200, f"{one.name} is not served: {answer.text}"
        wanted = content(one.text, {old: new for old, new in links.items() if old and new and old != new})
        assert content(answer.text, {}) == wanted, one.name


def judge_episodes(service: Service, sent: list[Sent], expected: dict[str, Any], as_of: str) -> dict[str, Any]:
    where = {one.name: one.reference or "" for one in sent}
    assert set(service.episodes()) == {where[name] for name in expected}
    stands = {}
    for name, wanted in expected.items():
        got = stands[name] = told(service, name, where[name], as_of)
        if "standing" in wanted:
            kinds = [one["kind"] for one in got["standing"]]
            assert kinds == [one["kind"] for one in wanted["standing"]], got["standing"]
            for one, entry in zip(wanted["standing"], got["standing"], strict=True):
                assert fits(one, entry), entry
        for path, value in wanted.get("state", {}).items():
            assert fits(value, at(got["state"], path)), f"{path} is {at(got['state'], path)}"
        incomplete = set(got["state"]["incomplete"])
        assert set(wanted.get("incomplete", ())) <= incomplete, incomplete
        assert incomplete.isdisjoint(wanted.get("complete", ())), incomplete
        if all(one.unread is None for one in sent):
            assert not incomplete, "all was read, so nothing is incomplete"
    return stands


@by_name(TAKEN)
def test_a_trap_is_not_fallen_into(service: Service, trap: Trap) -> None:
    everything: dict[str, Sent] = {}
    as_of = trap.expected.get("as_of", NOON)
    if trap.code_map is not None:
        service.adopt(trap.code_map)
    for number, bundle in enumerate(trap.bundles):
        sent = service.send(bundle)
        judge_receipt(sent, trap.expected["receipts"][number])
        judge_stored(service, sent)
        everything |= {one.name: one for one in sent if not (one.made_anew and one.name in everything)}
    stands = judge_episodes(service, list(everything.values()), trap.expected["episodes"], as_of)

    again = service.send(trap.bundles[-1])
    for one in again:
        if one.made_anew:
            continue  # R4: a create without a condition makes a new one each time; what stands must not change
        known = everything[one.name]
        assert (one.reference, one.etag) == (known.reference, known.etag), one.name
    then = judge_episodes(service, list(everything.values()), trap.expected["episodes"], as_of)
    if any(one.made_anew for one in again):  # they are stored beside the first, so the episode has another version
        assert [one["standing"] for one in then.values()] == [one["standing"] for one in stands.values()]
    else:
        assert then == stands
    assert service.intake.rebuild(request()) == 0


@by_name(REFUSED)
def test_what_is_no_transaction_is_refused_with_the_reason_and_leaves_nothing(service: Service, trap: Trap) -> None:
    for bundle in trap.bundles:
        answer = service.client.post("/fhir", content=bundle, headers=FHIR)
        assert answer.status_code == trap.expected["refused"]["status"], answer.text
        assert trap.expected["refused"]["says"] in answer.text
    assert service.episodes() == {}


def test_there_are_traps_enough_and_each_says_why() -> None:
    assert len(TRAPS) >= 25
    for trap in TRAPS:
        assert len(trap.expected["why"]) > 40, trap.name
        assert trap.expected["source"].startswith("http://hl7.org/fhir/R4/"), trap.name
        assert len(trap.bundles) == len(trap.expected.get("receipts", trap.bundles)), trap.name
