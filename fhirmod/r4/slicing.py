"""The values of a sliced element sorted into its slices, and what their order breaks.

Source: http://hl7.org/fhir/R4/profiling.html#slicing (rules closed and openAtEnd, ordered).
"""

from dataclasses import dataclass

from .places import Place
from .profiles import Element
from .slices import DEFAULT, Item, Meeting, steps
from .telling import tells, told_by

_WAYS = frozenset(("value", "pattern", "type", "exists", "profile"))


@dataclass(frozen=True, slots=True)
class Sliced:
    """The members of each slice, and each place that breaks a rule of the slicing with what would be right.

    Shape: `unsure` are the values that may be of slices, as what would tell is not here, with their slices' names.
    """

    members: dict[str, list[Item]]
    wrong: list[tuple[Place, str]]
    unsure: list[tuple[Place, list[str]]]


def sliced(element: Element, found: list[Item], meeting: Meeting) -> Sliced | str:
    """Return the values sorted into slices, or a sentence that says why they cannot be told apart."""
    unknown = {how for how, path in element.discriminators if how not in _WAYS or steps(path) is None}
    if unknown or not element.discriminators:
        how = ", ".join(sorted(unknown)) or "nothing"
        return (
            f"{element.label} is sliced by {how} in a way not evaluated here; wanted one of {', '.join(sorted(_WAYS))}."
        )
    for name, one in element.slices.items():
        if not tells(element, one, meeting):
            return f"{element.label} has the slice {name}, which says nothing that tells it; wanted a value that does."
    members: dict[str, list[Item]] = {name: [] for name in element.slices}
    wrong: list[tuple[Place, str]] = []
    unsure: list[tuple[Place, list[str]]] = []
    order = [*element.slices]
    furthest, outside = 0, False
    for item in found:
        part, maybe = told_by(element, item, meeting)
        if part is None and maybe:
            unsure.append((item.place, maybe))
            continue
        if part is None and DEFAULT in element.slices:
            part = DEFAULT
        if part is None:
            outside = True
            if element.closed:
                listed = ", ".join(order)
                wrong.append((item.place, f"{element.label} fits none of its closed slices; wanted one of {listed}."))
            continue
        members[part].append(item)
        position = order.index(part)
        if element.ordered and position < furthest:
            wrong.append((item.place, f"{element.label} is of slice {part} too late; wanted the slices in order."))
        if element.at_end and outside:
            wrong.append((item.place, f"{element.label} stands after one of no slice; wanted those at the end."))
        furthest = max(furthest, position)
    return Sliced(members, wrong, unsure)
