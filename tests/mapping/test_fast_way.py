"""The fast way takes nothing that claims a profile of ours and in which the walker finds an error.

Examples are put together at random: most faults of a sliced list come of what stands in it twice or elsewhere.
"""

import copy
import random
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirmod.exchange import examples
from fhirmod.mapping import known_profiles
from fhirmod.r4 import accepts, check, dump, parse, said_at_once
from tests.r4.test_accept import mutated, places

SHOWN = [one for one in examples().values() if one["resourceType"] != "Bundle"]


def mixed(chance: random.Random) -> dict[str, Any]:
    """Return an example whose lists also hold what stands in lists of that name in another, or one thing twice."""
    made: dict[str, Any] = parse(dump(chance.choice(SHOWN)))
    found: dict[str, list[Any]] = {}
    for where, key in places(chance.choice(SHOWN)):
        if isinstance(where[key], list):
            found.setdefault(key, []).extend(where[key])
    lists = [(key, where[key]) for where, key in places(made) if isinstance(where[key], list) and key in found]
    for key, held in chance.sample(lists, k=min(len(lists), chance.randint(1, 2))):
        held.insert(chance.randint(0, len(held)), copy.deepcopy(chance.choice([*found[key], *held])))
    return mutated(made, chance) if chance.random() < 0.3 else made


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32))
def test_the_fast_way_takes_nothing_put_together_at_random_that_the_walker_refuses(seed: int) -> None:
    chance, known = random.Random(seed), known_profiles()
    for _ in range(20):
        resource = mixed(chance)
        if accepts(resource, known):
            said = check(resource, known=known)
            assert [one for one in said if one.refuses] == [], resource
            assert said_at_once(resource, known) in (None, said), resource


def test_both_answers_come_so_that_the_law_is_not_empty() -> None:
    chance, known = random.Random(3), known_profiles()
    made = [mixed(chance) for _ in range(400)]
    assert 40 < sum(accepts(one, known) for one in made) < 360
