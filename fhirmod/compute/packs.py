"""Packs in and packs out; a difference stays open."""

from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from fhirmod.episode import Entry, Packing

from .why import Why, number


@dataclass(frozen=True, slots=True)
class Packs:
    """Packs counted in and out.

    Units:  packs.
    Shape: `open` is in minus out; not-known where a count was not a number, not-recorded where there is none.
    """

    into: Decimal | Why
    out: Decimal | Why
    open: Decimal | Why


def packs(entries: Iterable[Entry]) -> Packs:
    """Return the packs in, out and still open.

    Units:  packs.
    Errors: none.
    Source: sources.PRACTICE.
    """
    sums: dict[str, Decimal] = {}
    unknown = False
    for entry in entries:
        if isinstance(entry, Packing):
            count = number(entry.packs)
            unknown = unknown or count is None
            sums[entry.action] = sums.get(entry.action, Decimal(0)) + (count or 0)
    if not sums:
        return Packs(Why.NOT_RECORDED, Why.NOT_RECORDED, Why.NOT_RECORDED)
    into, out = sums.get("in", Decimal(0)), sums.get("out", Decimal(0))
    if unknown:
        return Packs(Why.NOT_KNOWN, Why.NOT_KNOWN, Why.NOT_KNOWN)
    return Packs(into, out, into - out)
