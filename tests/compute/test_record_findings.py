from typing import Any

from tests.compute.case import Case, record_codes


def codes(case: Case, clock: str = "06:00", known_at: str | None = None) -> list[str]:
    return record_codes(case.state(clock, known_at=known_at))


def entry(number: int, kind: str, **fields: Any) -> dict[str, Any]:
    moment = "2026-03-01T02:00:00+01:00"
    head = {"kind": kind, "id": f"{number:08x}-0000-4000-8000-0000000000ee", "at": moment, "recorded_at": moment}
    return head | fields


def test_two_corrections_of_one_entry_are_a_finding_and_the_later_stands() -> None:
    case = Case()
    first = case.at("02:00", "blood-loss", method="drape", volume_ml=100)
    case.at("02:10", "blood-loss", method="drape", volume_ml=200, corrects=first, reason="a slip")
    case.at("02:20", "blood-loss", method="drape", volume_ml=300, corrects=first, reason="a slip")
    assert codes(case) == ["record-competing-corrections"]
    assert case.state("06:00").loss.measured.ml == 300


def test_a_correction_without_its_original_is_a_finding_until_that_arrives() -> None:
    case = Case()
    original = entry(1, "blood-loss", method="drape", volume_ml=100)
    change = {"corrects": original["id"], "reason": "a slip"}
    case.add(entry(2, "blood-loss", method="drape", volume_ml=200, **change), "03:00")
    assert codes(case) == ["record-correction-without-original"]
    assert case.state("06:00").loss.measured.ml == 200
    case.add(original, "04:00")
    assert codes(case) == []
    assert case.state("06:00").loss.measured.ml == 200
    assert codes(case, known_at="03:30") == ["record-correction-without-original"]


def test_a_retraction_that_arrives_first_waits() -> None:
    case = Case()
    original = entry(1, "birth")
    case.add(entry(2, "retraction", retracts=original["id"], reason="never happened"), "03:00")
    assert codes(case) == ["record-retraction-waits"]
    case.add(original, "04:00")
    assert codes(case) == []


def test_a_correction_may_not_change_the_kind() -> None:
    case = Case()
    first = case.at("02:00", "birth")
    case.at("02:10", "note", text="x", corrects=first, reason="a slip")
    assert codes(case) == ["record-correction-changes-kind"]


def test_nothing_is_recorded_before_it_happens() -> None:
    case = Case()
    case.add(entry(1, "birth", at="2026-03-01T02:03:00+01:00"), "02:10")
    assert codes(case) == ["record-happens-after-recorded"]


def test_a_device_whose_clock_is_ahead_is_seen() -> None:
    case = Case()
    case.at("02:10", "birth", received="02:00")
    assert codes(case) == ["record-recorded-after-received"]


def test_an_order_that_cannot_be_is_a_finding() -> None:
    case = Case()
    case.at("02:00", "placement")
    case.at("03:00", "birth")
    assert codes(case) == ["record-order-reversed"]


def test_a_finding_says_what_was_wrong_and_what_would_be_right() -> None:
    case = Case()
    stray = case.at("02:00", "fill", volume_ml=50)
    (finding,) = [one for one in case.state("03:00").findings if one.code == "record-no-balloon"]
    assert finding.sentence == (
        f"The fill entry {stray} belongs to no balloon in place at its time; its time or its placement is missing or wrong."
    )
    assert finding.place == f"entries.where(id='{stray}').placement"
    assert (finding.severity, finding.tier) == ("warning", "soon")
