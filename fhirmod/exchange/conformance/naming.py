"""The NamingSystems of the identifiers that we give: what each names, and that it never comes from a person's."""

from collections.abc import Iterator
from typing import Any

from fhirmod.mapping import ENTRY_ID, EPISODE_ID, FACILITY_ID, STAFF_ID

from .header import headed

_NAMED = (
    (
        ENTRY_ID,
        "Entries of the record",
        (
            "The entry that a resource is the image of: the UUID of the first of its "
            "chain of corrections, made at the bedside; unique everywhere."
        ),
    ),
    (
        EPISODE_ID,
        "Episodes of the record",
        ("One woman's tamponade from decision to closure: the UUID on the anchor Procedure; unique everywhere."),
    ),
    (
        STAFF_ID,
        "Staff as the facility calls them",
        ("The id of a member of staff as recorded; unique within the facility that kept the record."),
    ),
    (
        FACILITY_ID,
        "Facilities as the record calls them",
        ("The id of a facility as recorded; unique among the facilities that exchange records with each other."),
    ),
)


def naming_systems() -> Iterator[dict[str, Any]]:
    """Return a NamingSystem for each identifier system of ours."""
    for url, title, described in _NAMED:
        made = headed("NamingSystem", url.rpartition("/")[2], title, f"{title}. {described}")
        yield made | {
            "kind": "identifier",
            "responsible": made["publisher"],
            "usage": described,
            "uniqueId": [{"type": "uri", "value": url, "preferred": True}],
        }
