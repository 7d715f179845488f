"""What stands: one table from (resource type, status) to what the status means for the record.

Source: HL7 FHIR R4 value sets observation-status, event-status, medication-admin-status, request-status,
condition-ver-status, encounter-status, device-status, consent-state-codes.
"""

from collections.abc import Mapping
from typing import Any, Literal

Standing = Literal["stands", "not done", "planned", "preliminary", "withdrawn"]

_EVENT: dict[str, Standing] = {
    "preparation": "planned",
    "in-progress": "stands",
    "not-done": "not done",
    "on-hold": "stands",
    "stopped": "stands",
    "completed": "stands",
    "entered-in-error": "withdrawn",
    "unknown": "preliminary",
}

_TABLE: dict[str, dict[str, Standing]] = {
    "Observation": {
        "registered": "planned",
        "preliminary": "preliminary",
        "final": "stands",
        "amended": "stands",
        "corrected": "stands",
        "cancelled": "not done",
        "entered-in-error": "withdrawn",
        "unknown": "preliminary",
    },
    "Procedure": _EVENT,
    "Communication": _EVENT,
    "MedicationAdministration": _EVENT,
    "ServiceRequest": {
        "draft": "planned",
        "active": "stands",
        "on-hold": "stands",
        "revoked": "not done",
        "completed": "stands",
        "entered-in-error": "withdrawn",
        "unknown": "preliminary",
    },
    "Condition": {
        "unconfirmed": "preliminary",
        "provisional": "preliminary",
        "differential": "preliminary",
        "confirmed": "stands",
        "refuted": "not done",
        "entered-in-error": "withdrawn",
    },
    "Encounter": {
        "planned": "planned",
        "arrived": "stands",
        "triaged": "stands",
        "in-progress": "stands",
        "onleave": "stands",
        "finished": "stands",
        "cancelled": "not done",
        "entered-in-error": "withdrawn",
        "unknown": "preliminary",
    },
    "Device": {
        "active": "stands",
        "inactive": "stands",
        "entered-in-error": "withdrawn",
        "unknown": "stands",
    },
    "Consent": {
        "draft": "planned",
        "proposed": "planned",
        "active": "stands",
        "rejected": "stands",
        "inactive": "not done",
        "entered-in-error": "withdrawn",
    },
}


def standing_of(resource: Mapping[str, Any]) -> Standing:
    """Return what a resource's status means for the record; a type without a status stands."""
    kind = resource["resourceType"]
    if kind == "Condition":
        codings = resource.get("verificationStatus", {}).get("coding", ())
        codes = [coding.get("code") for coding in codings]
        return next((_TABLE[kind][code] for code in codes if code in _TABLE[kind]), "stands")
    table = _TABLE.get(kind)
    return "stands" if table is None else table.get(resource.get("status", ""), "stands")
