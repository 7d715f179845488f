"""Findings over time: one for each cause, updated, ending when answered, quiet for one interval when acknowledged."""

from datetime import timedelta

import pytest

from fhirmod.episode import Episode, Protocol
from fhirmod.errors import Finding
from fhirmod.stories import story
from fhirmod.validation import assessed, findings, open_now
from tests.authorities.scenarios import straightforward
from tests.compute.case import Case
from tests.stories import START

from .told import received

PROTOCOL = Protocol.default()


def bleeding() -> Case:
    case = Case()
    case.at("02:10", "birth")
    case.at("02:50", "placement")
    case.at("02:52", "fill", volume_ml=300)
    case.at("03:10", "bleeding-response", response="not-stopped")
    return case


def found(case: Case, clock: str, code: str, known_at: str | None = None) -> list[Finding]:
    then = None if known_at is None else case.moment(known_at)
    all_ = findings(case.episode, as_of=case.moment(clock), known_at=then, protocol=PROTOCOL)
    return [one for one in all_ if one.code == code]


def test_a_finding_keeps_its_key_and_its_time_while_it_stands_and_says_the_new_minutes() -> None:
    case = bleeding()
    [early] = found(case, "03:11", "bleeding-not-stopped")
    case.at("03:15", "bleeding-response", response="not-stopped")
    [late] = found(case, "03:20", "bleeding-not-stopped")
    assert early.key == late.key
    assert early.since == late.since == case.moment("03:10")
    assert "18 min" not in late.sentence
    assert early.sentence != late.sentence


def test_it_keeps_its_key_when_its_entry_is_corrected() -> None:
    case = bleeding()
    [before] = found(case, "03:12", "bleeding-not-stopped")
    case.at("03:11", "bleeding-response", response="not-stopped", corrects=case.entries[-1].id, reason="a slip")
    [after] = found(case, "03:12", "bleeding-not-stopped")
    assert before.key == after.key
    assert after.place == f"entries.where(id='{case.entries[-1].id}').response"


def test_it_ends_when_answered_and_a_review_still_sees_what_could_be_known() -> None:
    case = bleeding()
    case.at("03:12", "decision", choice="theatre", received="03:40")
    assert found(case, "03:30", "bleeding-not-stopped") == []
    assert len(found(case, "03:30", "bleeding-not-stopped", known_at="03:30")) == 1


def test_acknowledged_by_name_it_says_until_when_for_one_interval_and_no_longer() -> None:
    case = bleeding()
    [one] = found(case, "03:12", "bleeding-not-stopped")
    case.at("03:12", "acknowledgement", finding=one.key, performed_by={"id": "d1", "role": "doctor"})
    [seen] = found(case, "03:20", "bleeding-not-stopped")
    assert seen.acknowledged_until == case.moment("03:27")  # the site's table: 15 min
    assert [one.acknowledged_until for one in found(case, "03:27", "bleeding-not-stopped")] == [None]


def test_an_acknowledgement_of_one_cause_says_nothing_of_another() -> None:
    case = bleeding()
    case.at("03:12", "acknowledgement", finding="shock-signs:x:y", performed_by={"id": "d1"})
    assert [one.acknowledged_until for one in found(case, "03:20", "bleeding-not-stopped")] == [None]


def watched() -> Case:
    """Return the straightforward scenario with its rounds also where its numbers do not list them."""
    case = straightforward()
    for minute in range(5 * 60, 11 * 60 + 46, 15):
        case.round(f"{minute // 60}:{minute % 60:02d}")
    return case


def every_minute(case: Case) -> dict[str, set[str]]:
    """Return each tier's findings, by key, over every minute from the first entry to ten minutes after the last."""
    moment, end = START, case.moment("12:02")
    seen: dict[str, set[str]] = {"now": set(), "soon": set()}
    while moment <= end:
        for one in findings(case.episode, as_of=moment, protocol=PROTOCOL, tiers=("now", "soon")):
            seen[str(one.tier)].add(f"{one.key} {moment:%H:%M}" if one.tier == "now" else str(one.key))
        moment += timedelta(minutes=1)
    return seen


def test_the_straightforward_course_raises_nothing_in_now_and_at_most_three_in_soon() -> None:
    seen = every_minute(watched())
    assert seen["now"] == set()
    assert len(seen["soon"]) <= 3


def test_as_listed_it_interrupts_only_where_hours_without_a_round_are_recorded() -> None:
    case = straightforward()
    seen = every_minute(case)
    # the scenario lists rounds to 04:45, then nothing until the trial at 11:00; 2 x (15 + 5) min after 04:45 is 05:25
    assert {one.rpartition(" ")[0] for one in seen["now"]} <= {"watch-lapsed:episode:vital-signs"}
    assert min(one.rpartition(" ")[2] for one in seen["now"]) == "05:26"
    assert max(one.rpartition(" ")[2] for one in seen["now"]) == "11:51"
    assert len(seen["soon"]) <= 3


def test_the_state_joins_what_a_bedside_shows_and_counts_it() -> None:
    case = bleeding()
    state = assessed(case.episode, as_of=case.moment("03:20"), protocol=PROTOCOL)
    whole = findings(case.episode, as_of=case.moment("03:20"), protocol=PROTOCOL)
    assert state.findings == open_now(whole)
    assert {one.tier for one in state.findings} == {"now", "soon"}
    assert ("open findings", str(len(state.findings))) in [(part.name, part.value) for part in state.lines()[-1].parts]
    [document] = [one for one in state.document()["findings"] if one["code"] == "bleeding-not-stopped"]
    assert document["since"] == "2026-03-01T03:10:00+01:00"
    assert "acknowledged_until" not in document


def test_review_shows_once_the_record_is_closed() -> None:
    case = Case()
    case.at("02:10", "birth")
    case.at("04:00", "sign-off", performed_by={"id": "d1"})
    assert "outcome-missing" in [one.code for one in case.state("05:00").findings]
    assert "outcome-missing" not in [one.code for one in case.state("03:00").findings]


def test_a_copy_of_a_record_kept_elsewhere_is_not_asked_for_rounds() -> None:
    case = Case()
    case.at("02:00", "opening", facility={"id": "small"})
    case.at("02:50", "placement")
    case.at("03:00", "transfer", step="departed", to_facility={"id": "big"})
    case.at("03:30", "transfer", step="arrived")
    case.at("03:40", "custody", answer="accepted", performed_by={"id": "r"}, facility={"id": "big"})
    at = case.moment("06:00")
    here = findings(case.episode, as_of=at, protocol=PROTOCOL, kept_for={"small"})
    there = findings(case.episode, as_of=at, protocol=PROTOCOL, kept_for={"big"})
    assert "watch-lapsed" not in [one.code for one in here]
    assert "watch-lapsed" in [one.code for one in there]


@pytest.mark.parametrize("seed", range(25))
def test_any_story_in_any_order_finds_the_same_and_a_state_given_changes_nothing(seed: int) -> None:
    told_ = story(seed, dirt="much")
    items = received(told_)
    at = items[len(items) * 2 // 3].at
    first = Episode("story").adding(items)
    other = Episode("story").adding(reversed(items))
    told = findings(first, as_of=at, protocol=PROTOCOL)
    assert findings(other, as_of=at, protocol=PROTOCOL) == told
    state = assessed(first, as_of=at, protocol=PROTOCOL)
    assert findings(first, as_of=at, protocol=PROTOCOL, state=state) == told
    keys = [one.key for one in told]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("tier", ["now", "soon", "review"])
def test_a_tier_alone_is_that_part_of_the_whole(tier: str) -> None:
    case = bleeding()
    whole = findings(case.episode, as_of=case.moment("03:20"), protocol=PROTOCOL)
    part = findings(case.episode, as_of=case.moment("03:20"), protocol=PROTOCOL, tiers=(tier,))  # type: ignore[arg-type]
    assert part == tuple(one for one in whole if one.tier == tier)
