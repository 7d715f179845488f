"""What is due: windows that entries open, move and close. The numbers are those of the site protocol, read from it."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings

from fhirmod.compute import Due, care_of, copy_of, due_items, state
from fhirmod.episode import Entry, Protocol
from tests.authorities.scenarios import transferred
from tests.stories import START, episode, received, stories

from .case import Case

PROTOCOL = Protocol.default()
LAW = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)


def due(case: Case, kept_for: set[str] | None = None, protocol: Protocol = PROTOCOL) -> dict[str, Due]:
    """Return what is due in a case, the last of each kind."""
    chains = case.episode.chains
    heads = {root: head for head, root in chains.roots.items()}
    copy = copy_of(care_of(chains.standing), kept_for)
    return {one.kind: one for one in due_items("case", chains.standing, protocol, heads, copy)}


def span(name: str) -> timedelta:
    return PROTOCOL.of(name).duration


def filled() -> Case:
    case = Case()
    case.at("01:50", "opening", facility={"id": "clinic-7"})
    case.at("02:00", "placement")
    case.at("02:05", "fill", volume_ml=300)
    return case


def test_nothing_is_due_before_a_balloon_is_in() -> None:
    case = Case()
    case.at("02:00", "birth")
    case.round("02:10")
    assert due(case) == {}


def test_the_next_round_is_due_after_the_last_full_one_and_a_partial_round_moves_nothing() -> None:
    case = filled()
    first = due(case)["round"]
    assert first.start == case.moment("02:05") + timedelta(minutes=15)  # the default table: every 15 min
    assert first.end - first.start == span("watch.tolerance_min")
    case.at("02:15", "vital-signs", pulse_per_min=100, systolic_mmhg=100, diastolic_mmhg=60)
    assert due(case)["round"] == first
    case.round("02:19")
    assert due(case)["round"].start == case.moment("02:34")
    assert {one.name for one in due(case)["round"].thresholds} == {
        "watch.every_min.since_fill", "watch.tolerance_min",
    }  # fmt: skip


def test_a_tighter_phase_tightens_the_round_and_names_its_parameter() -> None:
    wide = Protocol.read(
        b'id = "wide"\nversion = "1"\nsource = "PRACTICE"\n'
        b"[watch.every_min]\nsince_fill = [{ from_min = 0, every_min = 60 }]\n"
    )
    case = filled()
    assert due(case, protocol=wide)["round"].start == case.moment("03:05")
    case.at("02:20", "bleeding-response", response="returned")
    moved = due(case, protocol=wide)["round"]
    assert moved.start == case.moment("02:35")  # 15 min after the worsening
    assert moved.thresholds[0].name == "watch.every_min.after_worsening"


def test_removal_is_due_between_the_protocols_limits_of_time_in_place_and_met_by_it() -> None:
    case = filled()
    window = due(case)["removal"]
    assert (window.start, window.end) == (case.moment("08:00"), case.moment("+1 02:00"))  # 6 h and 24 h
    assert window.status == "requested"
    case.at("09:00", "removal", how="removed")
    assert (due(case)["removal"].status, due(case)["removal"].done) == ("completed", case.moment("09:00"))


def test_a_balloon_that_came_out_by_itself_meets_nothing() -> None:
    case = filled()
    case.at("03:00", "expulsion")
    assert (due(case)["removal"].status, due(case)["removal"].why) == ("cancelled", "expelled")
    assert due(case)["tamponade"].why == "balloon-out"


def test_the_look_after_filling_is_met_by_a_stop_at_once_and_by_another_word_once_the_window_opens() -> None:
    case = filled()
    case.at("02:07", "bleeding-response", response="reduced")
    assert due(case)["tamponade"].status == "requested"
    case.at("02:12", "bleeding-response", response="not-stopped")
    assert due(case)["tamponade"].done == case.moment("02:12")
    stopped = filled()
    stopped.at("02:07", "bleeding-response", response="stopped")
    assert due(stopped)["tamponade"].done == stopped.moment("02:07")


@pytest.mark.parametrize(
    ("then", "status", "why"),
    [
        ({"kind": "deflation-trial", "step": "end", "result": "no-bleeding-seen"}, "completed", None),
        ({"kind": "bleeding-response", "response": "returned"}, "completed", None),
        ({"kind": "fill", "volume_ml": 50}, "cancelled", "interrupted"),
        ({"kind": "removal"}, "cancelled", "result-not-recorded"),
    ],
)
def test_a_trial_is_met_by_what_was_seen(then: dict[str, Any], status: str, why: str | None) -> None:
    case = filled()
    case.at("09:00", "withdrawal", volume_ml=100, purpose="trial")
    window = due(case)["trial"]
    assert (window.start, window.end) == (case.moment("09:30"), case.moment("10:00"))  # 30 and 60 min
    assert window.status == "requested"
    kind = str(then.pop("kind"))
    case.at("09:40", kind, **then)
    assert (due(case)["trial"].status, due(case)["trial"].why) == (status, why)


def test_the_watch_after_removal_is_met_by_its_last_round() -> None:
    case = filled()
    case.at("09:00", "removal")
    assert due(case)["after-removal"].end == case.moment("11:00")
    case.round("10:40")
    assert due(case)["after-removal"].status == "requested"
    assert due(case)["round"].start == case.moment("10:55")
    case.round("10:55")
    assert due(case)["after-removal"].done == case.moment("10:55")
    assert due(case)["round"].status == "completed"


@pytest.mark.parametrize(
    ("kind", "fields", "why"),
    [("outcome", {"status": "died"}, "died"), ("sign-off", {}, "record-closed")],
)
def test_death_and_sign_off_end_what_is_due(kind: str, fields: dict[str, Any], why: str) -> None:
    case = filled()
    case.at("04:00", kind, **fields)
    found = due(case)
    assert {found[one].status for one in ("round", "tamponade")} == {"cancelled"}
    assert {found[one].why for one in ("round", "tamponade")} == {why}


def test_what_is_recorded_after_the_sign_off_brings_it_back() -> None:
    case = filled()
    case.at("04:00", "sign-off")
    case.at("04:10", "note", text="still here")
    assert due(case)["round"].status == "requested"


def test_only_the_custodians_copy_has_due_items() -> None:
    case = transferred()
    clock = case.moment("17:30")
    entries = case.episode.standing(as_of=clock)
    for kept_for, word in (
        ({"sender"}, "last-known"),
        ({"receiver"}, "custodian"),
        ({"sender", "receiver"}, "custodian"),
    ):
        copy = copy_of(care_of(entries), kept_for)
        assert copy.word == word
        found = due_items("x", entries, PROTOCOL, {}, copy)
        requested = [one for one in found if one.status == "requested"]
        assert bool(requested) == (word == "custodian")
        if word == "last-known":
            assert {one.why for one in found if one.status == "cancelled"} == {"other-facility"}
        shown = state(case.episode, as_of=clock, protocol=PROTOCOL, kept_for=kept_for)
        assert isinstance(shown.watch.due, datetime) == (word == "custodian")
        assert any(part.value.startswith("last known") for part in shown.seven_lines[6].parts) == (word == "last-known")


@LAW
@given(story=stories())
def test_the_state_says_the_same_next_round_at_any_time_after_the_last_entry(story: tuple[Entry, ...]) -> None:
    told = episode(received(story))
    chains = told.chains
    heads = {root: head for head, root in chains.roots.items()}
    items = due_items("story", chains.standing, PROTOCOL, heads, copy_of(care_of(chains.standing), None))
    rounds = [one for one in items if one.kind == "round"]
    instants = [moment for one in chains.standing for moment in (one.span or (one.recorded_at.instant or START,))]
    shown = state(told, as_of=max(instants) + timedelta(minutes=1), protocol=PROTOCOL).watch.due
    if isinstance(shown, datetime):
        assert rounds[0].status == "completed" or rounds[0].start == shown
    for one in items:
        assert one.start <= one.end
        assert (one.done is not None) == (one.status == "completed")
        assert (one.why is not None) == (one.status == "cancelled")
        assert one.thresholds
