"""Who is the same woman: Patients that were merged, by the links R4 has for it, or have one identifier.

Source: http://hl7.org/fhir/R4/patient.html#linking (replaced-by and replaces; refer and seealso say no such thing).
"""

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from fhirmod.r4 import parse
from fhirmod.store import Access, Reader

LINKS = "_links"
"""The index of references to what is not yet in any episode, and of Patients to the Patients they are linked with."""


class Woman(NamedTuple):
    """The Patient that stands for her now, and every reference that means her."""

    survivor: str
    references: frozenset[str]


def same_woman(reader: Reader, access: Access, subject: str) -> Woman:
    """Return who a subject is: the Patient that replaced hers in the end, and all that are the same woman."""
    found: dict[str, frozenset[str]] = {}
    wanted = [subject]
    replaced: dict[str, str] = {}
    while wanted:
        reference = wanted.pop()
        if reference in found:
            continue
        type_, _, id_ = reference.partition("/")
        if type_ != "Patient" or not id_ or "/" in id_:
            found[reference] = frozenset()
            continue
        version = reader.get(access, type_, id_)
        patient = parse(version.body) if version is not None and version.body is not None else {}
        links = dict(merged_with(patient))
        found[reference] = frozenset(links)
        for other, how in links.items():
            gone, stays = (reference, other) if how == "replaced-by" else (other, reference)
            replaced[gone] = stays
        wanted += links
        wanted += [
            f"Patient/{other}"
            for kind, other, param in reader.referrers(access, type_, id_)
            if (kind, param) == ("Patient", LINKS)
        ]
        wanted += [
            f"Patient/{other}"
            for system, value in identifiers(patient)
            for other in reader.identified(access, "Patient", system, value)
        ]
    survivor, seen = subject, {subject}
    while (following := replaced.get(survivor)) is not None and following not in seen:
        survivor = following
        seen.add(survivor)
    return Woman(survivor, frozenset(found))


def identifiers(resource: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Return the business identifiers of a resource that name one thing everywhere: with system and value."""
    for one in resource.get("identifier", ()):
        if one.get("system") and one.get("value") and one.get("use") != "old":
            yield one["system"], one["value"]


def episodes_about(reader: Reader, access: Access, patient: str) -> set[str]:
    """Return the episodes of the woman that a Patient means."""
    return {one for woman in same_woman(reader, access, patient).references for one in _episodes(reader, access, woman)}


def episodes_of_others(reader: Reader, access: Access, patient: str, before: Mapping[str, Any]) -> set[str]:
    """Return the episodes of a woman who is, or was before, also other Patients; none if she is this one alone."""
    women = set(same_woman(reader, access, patient).references)
    for other, _ in merged_with(before):
        women |= same_woman(reader, access, other).references
    return {one for woman in women for one in _episodes(reader, access, woman)} if women != {patient} else set()


def _episodes(reader: Reader, access: Access, patient: str) -> set[str]:
    if not patient.startswith("Patient/"):
        return set()
    referring = reader.referrers(access, *patient.split("/", 1))
    keys = [(type_, id_) for type_, id_, _ in referring if type_ in ("Procedure", "Encounter")]
    found = reader.episodes_of(access, keys) if keys else {}
    return {episode for members in found.values() for episode, _ in members}


def merged_with(patient: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    """Return the references of the Patients that one was merged with, and how: replaced-by or replaces."""
    for link in patient.get("link", ()):
        reference = link.get("other", {}).get("reference", "")
        if link.get("type") in ("replaced-by", "replaces") and reference.startswith("Patient/"):
            yield reference, str(link["type"])
