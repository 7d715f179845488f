"""How a sentence says a length of time."""

from datetime import datetime, timedelta

import pytest

from fhirmod.validation.words import lasting
from tests.stories import START

# whole days from 48 h on: the form of `fhirmod show`; no published source
SAID = [
    (119, "119 min"),
    (120, "2 h 00 min"),
    (48 * 60 - 1, "47 h 59 min"),
    (48 * 60, "2 days"),
    (388_102, "269 days"),  # it read 6468 h 22 min
]


@pytest.mark.parametrize(("minutes", "said"), SAID)
def test_a_length_of_time_is_said_in_the_unit_people_think_in(minutes: int, said: str) -> None:
    start: datetime = START
    assert lasting(start, start + timedelta(minutes=minutes)) == said
