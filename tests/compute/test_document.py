"""The shape of the state as partners' screens read it: names here are a promise; adding is free, renaming is not."""

from datetime import timedelta

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fhirmod.compute import state
from fhirmod.compute.depends import DEPENDS
from fhirmod.episode import KINDS, Entry, Protocol
from tests.any_entry import any_entry
from tests.authorities.scenarios import transferred
from tests.stories import START, episode, received, stories

DOCUMENT = transferred().state("17:05").document()


@pytest.mark.parametrize(
    ("path", "names"),
    [
        (
            (),
            (
                "episode as_of known_at now clocks_stopped_at last_received protocol axes balloons in_place packs loss loss_classes "
                "haemodynamics fundus warning watch timings txa resuscitation urine haemoglobin stops care copy near_miss completeness "
                "findings incomplete seven_lines"
            ),
        ),
        (("axes",), "balloon bleeding trial care woman record"),
        (("axes", "bleeding"), "word since last_looked"),
        (
            ("balloons", 0),
            (
                "n placement elsewhere placed state since in_place facts compartments over_label_ml out dwell dwell_against_limits "
                "filled_until stop trials trial"
            ),
        ),
        (
            ("balloons", 0, "compartments", 0),
            "name status volume total_in_ml total_out_ml peak_ml reconciliation",
        ),
        (("balloons", 0, "compartments", 0, "volume"), "ml certainty last_recorded_ml"),
        (
            ("balloons", 0, "stop"),
            (
                "balloon anchor first_reduced_min time_to_first_stop_min stopped_at held held_until held_min volume_at_stop_ml "
                "bleeding_at_15_min"
            ),
        ),
        (("timings", 0), "name start end minutes at_least_min at_most_min order"),
        (("loss", "measured"), "ml certainty entries"),
        (
            ("watch",),
            "phase every_min parameter source last_full_round last_full_round_age_min due overdue_since overdue stretches",
        ),
        (("seven_lines", 0), "n name parts"),
        (("seven_lines", 0, "parts", 0), "name value"),
    ],
)
def test_the_names_of_the_document(path: tuple[str | int, ...], names: str) -> None:
    found: object = DOCUMENT
    for step in path:
        found = found[step]  # type: ignore[index]
    assert isinstance(found, dict)
    assert list(found) == names.split()


def test_every_part_that_is_computed_says_what_it_depends_on() -> None:
    fixed = {
        "episode", "as_of", "known_at", "now", "clocks_stopped_at", "last_received", "protocol", "completeness", "findings",
        "incomplete", "seven_lines",
    }  # fmt: skip
    assert set(DEPENDS) == set(DOCUMENT) - fixed
    assert all(kinds <= set(KINDS) for kinds in DEPENDS.values())


def test_what_was_not_read_makes_parts_incomplete() -> None:
    case = transferred()
    shown = state(case.episode, as_of=case.moment("17:05"), protocol=Protocol.default(), unread={"packing"})
    assert shown.incomplete == ("packs",)
    assert DOCUMENT["incomplete"] == []


@settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)
@given(story=stories(), kind=st.sampled_from([kind for kind in KINDS if kind != "retraction"]), data=st.data())
def test_a_part_changes_with_no_kind_it_does_not_name(story: tuple[Entry, ...], kind: str, data: st.DataObject) -> None:
    as_of = START + timedelta(days=40)
    items = received(story)
    more = [*items, *received((data.draw(any_entry(kind)),))]
    before, after = (state(episode(one), as_of=as_of, protocol=Protocol.default()).document() for one in (items, more))
    for part, kinds in DEPENDS.items():
        if kind not in kinds:
            if part == "axes":
                del before[part]["record"], after[part]["record"]
            assert after[part] == before[part], part
