"""Every element that R4 gives a mapped resource is mapped, used, or skipped with a reason; none is forgotten."""

from collections.abc import Iterator
from typing import Any

import pytest

from fhirmod.mapping import SKIPPED_TYPES, mapped, skipped, used
from fhirmod.mapping.shapes import SHAPES
from fhirmod.r4.shapes import shape


def elements(kind: str, above: str = "", seen: tuple[str, ...] = ()) -> Iterator[tuple[str, bool]]:
    """Return every element of a type by R4's definitions, dotted, and whether it has elements of its own.

    Source: the snapshots of HL7 FHIR R4 4.0.1, as carried in `fhirmod.r4`. Data types are not taken apart.
    """
    for key, field in shape(kind).fields.items():
        nested = "." in field.type and field.type not in seen
        if not above or key not in ("id", "extension", "modifierExtension"):
            yield f"{above}{key}", nested
        if nested:
            yield from elements(field.type, f"{above}{key}.", (*seen, field.type))


def within(names: Any, element: str) -> bool:
    """Return whether a list names an element or what it is inside of."""
    steps = element.split(".")
    return any(".".join(steps[: number + 1]) in names for number in range(len(steps)))


def stands(names: Any, element: str) -> bool:
    """Return whether a list names an element, or something inside the data type it has."""
    return any(name == element or name.startswith(f"{element}.") for name in names)


@pytest.mark.parametrize("kind", SHAPES)
def test_no_element_is_forgotten(kind: str) -> None:
    leaves = [element for element, nested in elements(kind) if not nested]
    forgotten = [
        one
        for one in leaves
        if not stands(mapped(kind), one) and not within(used(kind), one) and not within(skipped(kind), one)
    ]
    assert forgotten == []


@pytest.mark.parametrize("kind", SHAPES)
def test_what_is_named_is_r4s_and_nothing_is_both_skipped_and_used(kind: str) -> None:
    there = {element for element, _ in elements(kind)}
    for names in (mapped(kind), used(kind), skipped(kind)):
        assert [one for one in names if not within(there, one)] == []
    assert [one for one in skipped(kind) if stands(mapped(kind), one) or stands(used(kind), one)] == []


def test_every_mapped_type_says_what_it_skips_and_why() -> None:
    assert set(SHAPES) == set(SKIPPED_TYPES)
    for kind in SHAPES:
        assert all(len(reason) > 10 for reason in (*used(kind).values(), *skipped(kind).values()))
