"""The story generator: every kind, readable, the same from the same seed, spoilt only where asked."""

from collections import Counter
from hashlib import sha256
from pathlib import Path
from statistics import mean

import pytest

import fhirmod.stories
from fhirmod.compute import state
from fhirmod.episode import KINDS, Episode, Protocol, Received, read_entry
from fhirmod.errors import BadParameterError
from fhirmod.r4 import dump
from fhirmod.stories import CHANCES, COURSES, DIRT, FIGURES, LEVELS, Story, stories, story
from fhirmod.stories.courses import TOLD

SOME = list(stories(150, 11, dirt="some"))


def digest(told: list[Story]) -> str:
    return sha256(b"\n".join(dump([one.opening, *one.entries]) for one in told)).hexdigest()


def test_every_entry_of_every_story_is_read_whatever_the_dirt() -> None:
    for dirt in LEVELS:
        for one in stories(40, 3, dirt=dirt):
            assert [read_entry(entry).id for entry in one.entries] == [entry["id"] for entry in one.entries]
            assert read_entry(one.opening).kind == "opening"


def test_every_kind_and_every_course_occurs_and_stories_have_thirty_entries_or_more() -> None:
    kinds = {"opening"} | {entry["kind"] for one in SOME for entry in one.entries}
    assert kinds == set(KINDS)
    assert set(TOLD) == set(COURSES)
    assert {one.course for one in stories(1000, 5)} == set(COURSES)
    assert mean(len(one.entries) for one in SOME) >= 30
    assert min(len(one.entries) for one in SOME) >= 30


def test_courses_occur_as_often_as_their_table_says() -> None:
    assert sum(weight for weight, _ in COURSES.values()) == 1000
    told = Counter(one.course for one in stories(2000, 17))
    for name, (weight, _) in COURSES.items():
        expected = 2 * weight
        assert abs(told[name] - expected) < 5 * expected**0.5 + 1, name  # five standard deviations of a count


def test_the_same_seed_tells_the_same_story_on_every_machine() -> None:
    assert digest(list(stories(20, 1))) == "06f0cd5012f8c7eabe5141596d8ec2e808f167836a8bd3db91e9ad57fde7e11f"
    assert (
        digest(list(stories(20, 1, dirt="much"))) == "30a615eb28480d3ff5485b0029f441538cb8c7e43ba65e74bdfae39d5e8ea757"
    )


def test_a_story_by_its_number_is_the_one_of_the_row_and_other_seeds_tell_others() -> None:
    assert list(stories(3, 9))[2] == story(9, 2)
    assert digest([story(9, 2)]) != digest([story(8, 2)])
    ids = [entry["id"] for one in stories(100, 1) for entry in (one.opening, *one.entries)]
    assert len(set(ids)) == len(ids)


def test_without_dirt_nothing_is_late_twice_or_taken_back() -> None:
    for one in stories(60, 2):
        assert one.met == ()
        assert len({entry["id"] for entry in one.entries}) == len(one.entries)
        for entry in one.entries:
            assert "corrects" not in entry
            assert entry["kind"] != "retraction"
            assert entry["recorded_at"] == entry["at"] or isinstance(entry["at"], dict)


def test_every_kind_of_dirt_occurs_and_more_of_it_at_the_higher_level() -> None:
    some = Counter(name for one in SOME for name, _ in one.met)
    much = Counter(name for one in stories(150, 11, dirt="much") for name, _ in one.met)
    assert set(some) == set(much) == {name for name, _, _ in DIRT}
    assert all(much[name] > some[name] for name in some)


@pytest.mark.parametrize("course", TOLD)
def test_each_course_ends_as_it_is_named(course: str) -> None:
    ends = {
        "held": ("removed", "no-bleeding-seen"),
        "removed-directly": ("removed", "not-done"),
        "sent-on": ("removed", "no-bleeding-seen"),
        "arrived": ("removed", "no-bleeding-seen"),
        "leaked": ("removed", "not-done"),
        "not-controlled": ("at-surgery", "not-done"),
        "died": ("at-surgery", "not-done"),
    }
    for number in range(10):
        one = story(4, number, course=course)
        entries = [read_entry(entry) for entry in (one.opening, *one.entries)]
        received = [Received(entry, entry.recorded_at.instant) for entry in entries if entry.recorded_at.instant]
        last = max(item.at for item in received)
        found = state(Episode("story").adding(received), as_of=last, protocol=Protocol.default())
        assert found.axes.record.word == "closed"
        assert found.axes.woman.word == ("died" if course == "died" else "alive")
        if course in ends:
            assert (found.axes.balloon.word, found.axes.trial.word) == ends[course]
        else:
            assert found.axes.balloon.word in ("removed", "at-surgery", "expelled")


def test_a_level_or_course_that_there_is_not_is_said() -> None:
    with pytest.raises(BadParameterError, match="The dirt must be one of none, some, much"):
        story(1, dirt="lots")  # type: ignore[arg-type]
    with pytest.raises(BadParameterError, match="The course must be one of held,"):
        story(1, course="perfect")


def test_every_figure_and_chance_has_a_source_and_a_reader() -> None:
    folder = Path(fhirmod.stories.__file__).parent
    told = "".join(file.read_text("utf-8") for file in folder.glob("*.py") if file.name != "figures.py")
    for name, figure in FIGURES.items():
        assert f'figure("{name}")' in told, name
        assert figure.low <= figure.typical <= figure.high
        assert figure.source.citation
    for name, chance in CHANCES.items():
        assert f'chance("{name}")' in told, name
        assert chance.source.citation
