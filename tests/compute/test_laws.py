from datetime import timedelta
from decimal import Decimal
from typing import Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from fhirmod.compute import LOCAL_MEASURES, MEASURES, state
from fhirmod.episode import KINDS, Entry, Episode, Protocol, VitalSigns, order_of
from tests.any_entry import any_entry
from tests.stories import START, episode, received, stories

PROTOCOL = Protocol.default()
AS_OF = START + timedelta(hours=9)
# A story is long: shrinking one takes minutes and makes it no easier to read, so a failure is shown as it was found.
SOME = settings(
    max_examples=10,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)


def document(one: Episode, *, hours: float = 9, known_at: Any = None) -> dict[str, Any]:
    return state(one, as_of=START + timedelta(hours=hours), known_at=known_at, protocol=PROTOCOL).document()


@SOME
@given(story=stories(), order=st.randoms(use_true_random=False))
def test_any_order_and_duplicates_give_the_same_state(story: tuple[Entry, ...], order: Any) -> None:
    items = received(story)
    mixed = [*items, *items[::3]]
    order.shuffle(mixed)
    assert document(episode(mixed)) == document(episode(items))


@SOME
@given(story=stories(), cut=st.integers(0, 60))
def test_delivery_in_parts_gives_the_same_state(story: tuple[Entry, ...], cut: int) -> None:
    items = received(story)
    first = episode(items[cut:])
    document(first)
    assert document(first.adding(items[:cut])) == document(episode(items))


@SOME
@given(story=stories(), cut=st.integers(1, 60))
def test_known_at_never_looks_into_the_future(story: tuple[Entry, ...], cut: int) -> None:
    items = received(story)
    known_at = START + timedelta(minutes=cut)
    then = episode([one for one in items if one.at <= known_at])
    assert document(episode(items), known_at=known_at) == document(then) | {"known_at": known_at.isoformat()}


@SOME
@given(story=stories())
def test_as_of_never_counts_what_happened_later(story: tuple[Entry, ...]) -> None:
    one = episode(received(story))
    for hours in (0, 1, 3):
        as_of = START + timedelta(hours=hours)
        for entry in one.standing(as_of=as_of):
            earliest = entry.instant or (entry.span[0] if entry.span else as_of)
            assert earliest <= as_of


@SOME
@given(story=stories(), note=any_entry("note"))
def test_a_note_changes_nothing_but_that_something_was_recorded(story: tuple[Entry, ...], note: Entry) -> None:
    items = received(story)
    before = document(episode(items))
    after = document(episode([*items, *received((note,))]))
    for changed in (before, after):
        del changed["axes"]["record"], changed["last_received"], changed["findings"], changed["seven_lines"]
    assert after == before


@SOME
@given(story=stories(), kind=st.sampled_from([kind for kind in KINDS if kind != "retraction"]), data=st.data())
def test_a_measure_depends_on_nothing_but_the_kinds_it_names(story: tuple[Entry, ...], kind: str, data: Any) -> None:
    standing = episode(received(story)).standing()
    more = tuple(sorted((*standing, data.draw(any_entry(kind))), key=order_of))
    for measure in MEASURES:
        if kind not in measure.depends_on:
            assert list(measure.of(more)) == list(measure.of(standing)), measure.key


@SOME
@given(story=stories(dies=True), hours=st.integers(0, 48))
def test_death_freezes_every_clock(story: tuple[Entry, ...], hours: int) -> None:
    one = episode(received(story))
    last = max(order_of(entry)[0] for entry in one.standing())
    later = last + timedelta(days=1)
    first, second = (state(one, as_of=at, protocol=PROTOCOL) for at in (later, later + timedelta(hours=hours)))
    assert first.axes.woman.word == "died"
    assert first.document() | {"as_of": ""} == second.document() | {"as_of": ""}


@SOME
@given(story=stories())
def test_a_known_volume_is_never_negative(story: tuple[Entry, ...]) -> None:
    one = episode(received(story))
    for hours in range(10):
        for balloon in state(one, as_of=START + timedelta(hours=hours), protocol=PROTOCOL).balloons:
            for part in balloon.compartments:
                if isinstance(part.volume.ml, Decimal):
                    assert part.volume.ml >= 0
    for measure in MEASURES:
        if measure.key.startswith(("balloon-total", "balloon-volume", "blood-loss", "packs")):
            assert all(value >= 0 for _, value in measure.of(one.standing()))


@SOME
@given(story=stories())
def test_a_stored_measure_agrees_with_the_state(story: tuple[Entry, ...]) -> None:
    one = episode(received(story))
    standing = one.standing()
    shown = state(one, as_of=START + timedelta(days=400), protocol=PROTOCOL)
    values = {measure.key: dict(measure.of(standing)) for measure in MEASURES}
    stops = {one.placement: one.stop.time_to_first_stop_min for one in shown.balloons}
    said = {key: value for key, value in stops.items() if isinstance(value, Decimal)}
    assert values["time-to-first-stop"].items() <= said.items()
    here = {
        one.placement for one in shown.balloons if not one.elsewhere
    }  # of one placed elsewhere it need not be stored
    assert said.keys() & here <= values["time-to-first-stop"].keys()
    loss = shown.loss
    assert values["blood-loss-measured"].get(None, loss.measured.ml) == loss.measured.ml
    assert values["blood-loss-visual"].get(None, loss.visual.ml) == loss.visual.ml
    assert values["packs-in"].get(None, shown.packs.into) == shown.packs.into


@SOME
@given(signs=any_entry("vital-signs"))
def test_a_local_measure_is_a_number_or_nothing(signs: Entry) -> None:
    assert isinstance(signs, VitalSigns)
    assert all(isinstance(measure.of(signs), Decimal | None) for measure in LOCAL_MEASURES)


@SOME
@given(story=stories())
def test_a_story_has_every_kind_and_a_correction(story: tuple[Entry, ...]) -> None:
    assert {entry.kind for entry in story} == set(KINDS)
    assert any(entry.corrects for entry in story)
    assert len(story) >= 45
