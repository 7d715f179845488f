"""Stories by seed: the same seed tells the same story on every machine."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from fhirmod.errors import BadParameterError

from .courses import TOLD
from .dice import Dice
from .dirt import LEVELS, Level, spoilt
from .figures import COURSES
from .telling import FACILITIES, Document, Telling

_COURSES = [(name, weight) for name, (weight, _) in COURSES.items()]


@dataclass(frozen=True, slots=True)
class Story:
    """An invented episode: its opening and its entries as JSON values, in the order they arrive.

    Shape: `course` is how it went, by the table; `met` names what spoilt which entry id. Always a drill.
    """

    seed: str
    course: str
    opening: dict[str, Any]
    entries: list[Document]
    met: tuple[tuple[str, str], ...] = ()


def story(seed: int, number: int = 0, *, dirt: Level = "none", course: str | None = None) -> Story:
    """Return story `number` of a seed; with `course` that course, else one as likely as the table says.

    Errors: BadParameterError for a level of dirt or a course that there is not.
    """
    if dirt not in LEVELS:
        raise BadParameterError(f"The dirt must be one of {', '.join(LEVELS)}; got {dirt!r}.", place="dirt")
    if course is not None and course not in TOLD:
        raise BadParameterError(f"The course must be one of {', '.join(TOLD)}; got {course!r}.", place="course")
    name = f"stories 1/{seed}/{number}"
    dice = Dice(name)
    drawn = dice.weighted(_COURSES)
    told = Telling(dice)
    opening = _opening(told, arrived=(course or drawn) == "arrived")
    TOLD[course or drawn](told)
    entries, met = spoilt(dice, told.entries, dirt)
    return Story(name, course or drawn, opening, entries, tuple(met))


def stories(count: int, seed: int = 0, *, dirt: Level = "none") -> Iterator[Story]:
    """Return so many stories of a seed, one after another."""
    return (story(seed, number, dirt=dirt) for number in range(count))


def _opening(told: Telling, *, arrived: bool) -> dict[str, Any]:
    now = told.at(0)
    woman: dict[str, Any] = {"label": f"woman, bed {told.dice.whole(1, 12)}"}
    opening = {
        "kind": "opening",
        "id": told.dice.uuid(),
        "at": now,
        "recorded_at": now,
        "facility": FACILITIES[1] if arrived else told.dice.pick(FACILITIES),
        "woman": woman,
        "drill": True,
    }
    return opening | ({"arrived_with_balloon": "yes"} if arrived else {})
