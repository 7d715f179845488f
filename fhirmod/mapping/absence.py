"""Absent values <-> FHIR's data-absent-reason, on coded elements, primitives and extensions.

Source: HL7 FHIR R4 data-absent-reason. `unknown` is also what a profile's required but unrecorded element
carries, so our own not-known goes out as `asked-unknown`.
"""

from collections.abc import Mapping
from typing import Any

from fhirmod.episode import Absent, AbsentReason

from .urls import DATA_ABSENT, DATA_ABSENT_CODES, WHY_ABSENT

_OUT: dict[AbsentReason, str] = {
    "not-known": "asked-unknown",
    "not-done": "not-performed",
    "could-not-measure": "error",
    "not-applicable": "not-applicable",
}
_IN: dict[str, AbsentReason] = {code: reason for reason, code in _OUT.items()} | {
    "unknown": "not-known",
    "temp-unknown": "not-known",
    "not-asked": "not-known",
    "masked": "not-known",
    "as-text": "not-known",
    "unsupported": "could-not-measure",
    "not-a-number": "could-not-measure",
    "negative-infinity": "could-not-measure",
    "positive-infinity": "could-not-measure",
    "asked-declined": "not-done",
    "not-permitted": "not-done",
}
_DISPLAY = {
    "asked-unknown": "Asked But Unknown",
    "not-performed": "Not Performed",
    "error": "Error",
    "not-applicable": "Not Applicable",
    "unknown": "Unknown",
}

UNRECORDED: dict[str, Any] = {"coding": [{"system": DATA_ABSENT_CODES, "code": "unknown", "display": "Unknown"}]}


def coded(absent: Absent) -> dict[str, Any]:
    """Return the CodeableConcept of a dataAbsentReason."""
    code = _OUT[absent.absent]
    concept: dict[str, Any] = {"coding": [{"system": DATA_ABSENT_CODES, "code": code, "display": _DISPLAY[code]}]}
    return concept | {"text": absent.why} if absent.why else concept


def from_coded(concept: Mapping[str, Any]) -> Absent | None:
    """Return the absence a CodeableConcept states, or None if it carries no data-absent-reason code."""
    for coding in concept.get("coding", ()):
        if coding.get("system") == DATA_ABSENT_CODES and coding.get("code") in _IN:
            return Absent(absent=_IN[coding["code"]], why=concept.get("text"))
    return None


def extension(absent: Absent) -> list[dict[str, Any]]:
    """Return the extensions that stand in place of a primitive."""
    reason = {"url": DATA_ABSENT, "valueCode": _OUT[absent.absent]}
    return [reason, {"url": WHY_ABSENT, "valueString": absent.why}] if absent.why else [reason]


def from_extension(extensions: Any) -> Absent | None:
    """Return the absence that a primitive's extensions state, or None."""
    reason = why = None
    for item in extensions or ():
        if item.get("url") == DATA_ABSENT:
            reason = item.get("valueCode")
        elif item.get("url") == WHY_ABSENT:
            why = item.get("valueString")
    return Absent(absent=_IN[reason], why=why) if reason in _IN else None
