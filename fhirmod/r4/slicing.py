"""The values of a sliced element sorted into its slices, and what their order breaks.

Source: http://hl7.org/fhir/R4/profiling.html#slicing (rules closed and openAtEnd, ordered).
"""

from dataclasses import dataclass

from .places import Place
from .profiles import Element
from .slices import Item, Meeting, belongs, steps

_WAYS = frozenset(("value", "pattern", "type", "exists", "profile"))


@dataclass(frozen=True, slots=True)
class Sliced:
    """The members of each slice, and each place that breaks a rule of the slicing with what would be right."""

    members: dict[str, list[Item]]
    wrong: list[tuple[Place, str]]


def sliced(element: Element, found: list[Item], meeting: Meeting) -> Sliced | str:
    """Return the values sorted into slices, or a sentence that says why they cannot be told apart."""
    unknown = {how for how, path in element.discriminators if how not in _WAYS or steps(path) is None}
    if unknown or not element.discriminators:
        how = ", ".join(sorted(unknown)) or "nothing"
        return (
            f"{element.label} is sliced by {how} in a way not evaluated here; wanted one of {', '.join(sorted(_WAYS))}."
        )
    members: dict[str, list[Item]] = {name: [] for name in element.slices}
    wrong: list[tuple[Place, str]] = []
    order = [*element.slices]
    furthest, outside = 0, False
    for item in found:
        part = next((one for one in element.slices.values() if belongs(element, one, item, meeting)), None)
        if part is None:
            outside = True
            if element.closed:
                listed = ", ".join(order)
                wrong.append((item[2], f"{element.label} fits none of its closed slices; wanted one of {listed}."))
            continue
        members[part.slice].append(item)
        position = order.index(part.slice)
        if element.ordered and position < furthest:
            wrong.append((item[2], f"{element.label} is of slice {part.slice} too late; wanted the slices in order."))
        if element.at_end and outside:
            wrong.append((item[2], f"{element.label} stands after one of no slice; wanted those at the end."))
        furthest = max(furthest, position)
    return Sliced(members, wrong)
