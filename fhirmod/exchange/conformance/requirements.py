"""What a server must do to keep our record for us: a CapabilityStatement of requirements, from the profiles.

It asks no more than this service itself does (a test holds it against the table of interactions).
"""

from typing import Any

from fhirmod.mapping.profiles import authored
from fhirmod.mapping.urls import profile
from fhirmod.r4 import search_parameter

from .header import headed

_INTERACTIONS = ("create", "read", "search-type", "update")


def requirements() -> dict[str, Any]:
    """Return the CapabilityStatement of kind requirements: each type we send, its profiles, and what must work."""
    profiles: dict[str, list[str]] = {}
    for one in authored():
        if one.type not in ("Extension", "Bundle"):
            profiles.setdefault(one.type, []).append(profile(one.name))
    described = "What a server must be able to do with the resources of a tamponade record, to keep and return them."
    return headed("CapabilityStatement", "record-keeper", "Keeper of the record", described) | {
        "kind": "requirements",
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "documentation": "Digits of decimals are kept as sent; an update at a new id creates.",
                "resource": [
                    {
                        "type": type_,
                        "supportedProfile": profiles.get(type_, []),
                        "interaction": [{"code": code} for code in _INTERACTIONS],
                        "updateCreate": True,
                        "searchParam": _searched(type_),
                    }
                    for type_ in sorted(profiles)
                ],
                "interaction": [{"code": "transaction"}],
            }
        ],
    }


def _searched(type_: str) -> list[dict[str, str]]:
    asked = [{"name": "_id", "definition": "http://hl7.org/fhir/SearchParameter/Resource-id", "type": "token"}]
    for name in ("identifier", "patient"):
        found = search_parameter(type_, name)
        if found is not None:
            asked.append({"name": name, "definition": found.url, "type": found.type})
    return asked
