"""Everything of a woman or of an Encounter: its compartment, the Provenances, and what these refer to.

Source: http://hl7.org/fhir/R4/patient-operation-everything.html, encounter-operation-everything.html,
compartmentdefinition-patient.html, compartmentdefinition-encounter.html
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Literal, NamedTuple

from fhirmod.intake import rows_of, same_woman, target
from fhirmod.r4 import RESOURCE_TYPES, compartment_members, compartment_parameters, parse
from fhirmod.store import Access, Reader, Version

from .care_dates import given_between
from .following import Following, Led

Whole = Literal["Patient", "Encounter"]
_HERS_TOO = (("Device", "patient"), ("Task", "patient"))  # outside R4's compartment, though they name her


class Place(NamedTuple):
    """Where a resource stands in everything: behind the first that leads to it; pages are cut between two places."""

    lead: int
    referred: bool
    reference: str


class Item(NamedTuple):
    """A resource of everything, and its place."""

    place: Place
    version: Version


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of everything is asked for: care in [start, end), written since, of some types (none: of all).

    Shape: `seen` are the types that the caller may see (None: all); what is of others is not followed either.
    """

    start: datetime | None = None
    end: datetime | None = None
    since: datetime | None = None
    types: frozenset[str] = frozenset()
    seen: frozenset[str] | None = None

    def shows(self, type_: str) -> bool:
        """Return whether the caller may see resources of a type."""
        return self.seen is None or type_ in self.seen

    def keeps(self, version: Version) -> bool:
        """Return whether a resource is of the types and the time of writing that are asked for."""
        if self.types and version.type not in self.types:
            return False
        return self.since is None or datetime.fromisoformat(version.updated) >= self.since


def everything(reader: Reader, access: Access, whole: Whole, version: Version, base: str, wanted: Wanted) -> list[Item]:
    """Return everything that is wanted of a Patient or an Encounter, in an order that does not change by additions.

    Shape: a Patient is every Patient that is the same woman. What is referred to stands behind the first that refers to
           it; the record of somebody else is not followed into. A Provenance comes with what it tells of.
    """
    hers, ids = _meant(reader, access, whole, version)
    members = [
        Led(lead, one, parse(one.body or b"{}")) for lead, one in reader.compartment(access, _pairs(whole), whole, ids)
    ]
    members = [one for one in members if wanted.shows(one.version.type)]
    members = [one for one in members if given_between(one.resource, wanted.start, wanted.end)]
    members = _without_stray(members, base)

    def goes_on(resource: Mapping[str, Any]) -> bool | None:
        if not wanted.shows(resource["resourceType"]):
            return None
        of = compartment_members(dict(resource), "Patient")
        if of:
            return None if hers.isdisjoint(of) else False
        return True

    referred = Following(reader, access, base, goes_on).of(members)
    items = [Item(Place(lead, False, f"{one.type}/{one.id}"), one) for lead, one, _ in members]
    items += [Item(Place(lead, True, f"{one.type}/{one.id}"), one) for lead, one in referred]
    return sorted(one for one in items if wanted.keeps(one.version))


def _meant(reader: Reader, access: Access, whole: Whole, version: Version) -> tuple[set[str], list[str]]:
    """Return the references that mean her, and the ids whose compartments are gathered."""
    reference = f"{version.type}/{version.id}"
    if whole == "Encounter":
        return set(compartment_members(dict(parse(version.body or b"{}")), "Patient")), [version.id]
    hers = set(same_woman(reader, access, reference).references)
    return hers, [one.removeprefix("Patient/") for one in sorted(hers) if one.startswith("Patient/")]


@cache
def _pairs(whole: Whole) -> tuple[tuple[str, str], ...]:
    hers = _HERS_TOO if whole == "Patient" else ()
    found = [
        (type_, name)
        for type_ in sorted(RESOURCE_TYPES)
        for name in compartment_parameters(whole, type_)
        if not name.startswith("{")
    ]
    return tuple(dict.fromkeys((type_, rows_of(type_, name)) for type_, name in (*found, *hers)))


def _without_stray(members: list[Led], base: str) -> list[Led]:
    """Return the members without the Provenances that tell of none of them."""
    there = {(one.version.type, one.version.id) for one in members if one.version.type != "Provenance"}

    def tells(provenance: Mapping[str, Any]) -> bool:
        told = (str(one.get("reference", "")) for one in provenance.get("target", ()))
        return any(target(text.removeprefix(f"{base}/"))[::-1] in there for text in told)

    return [one for one in members if one.version.type != "Provenance" or tells(one.resource)]
