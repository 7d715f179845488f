"""Which R4 elements of a resource type the tables map: what a row or the envelope stands in, dotted from the resource.

What is used otherwise, and what is skipped, stands with its reason in `skipped`; a test holds the three against R4.
"""

from collections.abc import Iterator

from .shapes import SHAPES
from .skipped import skipped, used
from .tables import TABLES

_LINKS = {
    "provision.data": ("provision.data.meaning", "provision.data.reference"),
    "suspectEntity": ("suspectEntity.instance",),
}


def mapped(resource_type: str) -> frozenset[str]:
    """Return the elements of a type that the tables write and read back.

    >>> sorted(one for one in mapped("MedicationAdministration") if one.startswith("dosage"))
    ['dosage.dose', 'dosage.rateQuantity', 'dosage.route']
    """
    return frozenset(_envelope(resource_type)) | frozenset(_rows(resource_type))


def dictionary(resource_type: str) -> dict[str, dict[str, str]]:
    """Return what becomes of each element of a type: by name, ``{"mapped" | "used" | "skipped": in words}``."""
    found = {name: {"skipped": why} for name, why in skipped(resource_type).items()}
    found |= {name: {"used": how} for name, how in used(resource_type).items()}
    found |= {name: {"mapped": "written from an entry and read back as it"} for name in mapped(resource_type)}
    return dict(sorted(found.items()))


def _envelope(resource_type: str) -> Iterator[str]:
    shape = SHAPES[resource_type]
    yield from ("id", "meta", "extension")
    yield from shape.fixed
    if shape.identifier:
        yield "identifier"
    if shape.note:
        yield "note"
    if shape.link:
        yield from _LINKS.get(shape.link, (shape.link,))
    places = (shape.code, shape.status, shape.subject, shape.encounter, shape.at)
    for place in (*places, shape.recorded_at, shape.performed_by, shape.recorded_by):
        if place:
            yield place.replace("[0]", "")


def _rows(resource_type: str) -> Iterator[str]:
    for table in TABLES.values():
        for part in table.parts:
            if part.type == resource_type:
                if part.category is not None:
                    yield "category"
                for row in part.rows:
                    yield from row.place.elements
