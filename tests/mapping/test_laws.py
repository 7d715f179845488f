"""The laws of the mapping on whole stories: nothing changes on the way through FHIR, whatever order, twice, dressed up."""

import random
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import chain
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirmod.episode import Episode
from fhirmod.mapping import Image, Stored, derived_image, is_derived, local_values, summary_values
from fhirmod.r4 import check
from fhirmod.stories import Story
from tests.stories import plausible

from .whole import CONTEXT, episode_of, put_together, read, said, sent, stored

FOREIGN = {"system": "https://west.example.net/codes", "code": "X-1", "display": "as west calls it"}
Law = Callable[[Episode, list[Stored], random.Random], None]


def what_stands_is_what_stood_digit_by_digit(episode: Episode, whole: list[Stored], dice: random.Random) -> None:
    lens, back = read([whole])
    assert lens.unread == {}
    assert said(back) == said(episode)


def in_any_order_in_any_pieces_and_twice_it_is_the_same(
    episode: Episode, whole: list[Stored], dice: random.Random
) -> None:
    groups: dict[str, list[Stored]] = {}
    for one in whole:  # the parts of one entry travel together, as a transaction or an export keeps them
        groups.setdefault(one.id.partition(".")[0], []).append(one)
    pieces = list(groups.values())
    dice.shuffle(pieces)
    pieces += pieces[: len(pieces) // 2]
    cut = dice.choice([1, 7, 1000])
    batches = [list(chain.from_iterable(pieces[at : at + cut])) for at in range(0, len(pieces), cut)]
    lens, back = read(batches)
    assert said(back) == said(episode)
    received = len(lens.received)
    lens.fold(whole)
    assert len(lens.received) == received


def what_is_computed_never_counts_when_it_comes_back(
    episode: Episode, whole: list[Stored], dice: random.Random
) -> None:
    made = _computed(episode)
    assert all(is_derived(one.body or {}) for one in made)
    for one in made:
        del (one.body or {})["meta"]  # even where somebody took our tag off on the way
    lens, back = read([[*stored(made), *whole]])
    assert said(back) == said(episode)
    assert set(lens.unread) == {one.reference for one in made}


def foreign_codings_and_extensions_change_nothing_that_is_read(
    episode: Episode, whole: list[Stored], dice: random.Random
) -> None:
    first = dice.random() < 0.5
    dressed = [replace(one, resource=_dressed(one.resource, first=first)) for one in whole]
    lens, back = read([dressed])
    assert lens.unread == {}
    assert said(back) == said(episode)


def every_resource_passes_the_walker(episode: Episode, whole: list[Stored], dice: random.Random) -> None:
    for one in [*whole, *stored([*_computed(episode), *put_together(episode)])]:
        assert [finding for finding in check(dict(one.resource or {})) if finding.refuses] == [], one.resource


LAWS: tuple[Law, ...] = (
    what_stands_is_what_stood_digit_by_digit,
    in_any_order_in_any_pieces_and_twice_it_is_the_same,
    what_is_computed_never_counts_when_it_comes_back,
    foreign_codings_and_extensions_change_nothing_that_is_read,
    every_resource_passes_the_walker,
)


@settings(max_examples=500, deadline=None, suppress_health_check=list(HealthCheck))
@given(story=plausible(), seed=st.integers(0, 10**6))
def test_every_law_holds_of_every_story(story: Story, seed: int) -> None:
    episode = episode_of(story)
    whole = stored(sent(episode))
    for law in LAWS:
        law(episode, whole, random.Random(seed))


def _computed(episode: Episode) -> list[Image]:
    standing, roots = episode.standing(), episode.chains.roots
    values = summary_values(standing, roots) | local_values(standing, roots)
    made = [derived_image(key, value, entry, "story", CONTEXT) for key, (value, entry) in values.items()]
    return [replace(one, body=dict(one.body or {})) for one in made]


def _dressed(value: Any, *, first: bool) -> Any:
    """Return a resource with a foreign coding in every CodeableConcept and a foreign extension.

    Shape: HL7's own codes are left alone: R4's vital-signs profiles fix the only coding of a category.
    """
    if isinstance(value, list):
        return [_dressed(one, first=first) for one in value]
    if not isinstance(value, Mapping):
        return value
    made = {name: _dressed(one, first=first) for name, one in value.items()}
    if "coding" in made and not any("hl7.org" in one.get("system", "") for one in made["coding"]):
        made["coding"] = [FOREIGN, *made["coding"]] if first else [*made["coding"], FOREIGN]
    if "resourceType" in made:
        ward = {"url": "https://west.example.net/ext/ward", "valueString": "L2"}
        made["extension"] = [ward, *made.get("extension", ())]
    return made
