"""One example of each family of profiles that must be refused, and the finding that says why."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from fhirmod.mapping import BASE
from fhirmod.mapping.urls import profile
from fhirmod.r4 import json_patch


@dataclass(frozen=True, slots=True)
class Refused:
    """A good example of a profile with one change, and where and by which code that is refused."""

    profile: str
    title: str
    change: dict[str, Any]
    code: str
    place: str


_TERM = f"{BASE}/CodeSystem/tamponade"
_OTHER = {"coding": [{"system": _TERM, "code": "fill"}]}
_MASS = {"value": 1, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"}


def _add(path: str, value: Any) -> dict[str, Any]:
    return {"op": "add", "path": path, "value": value}


def _remove(path: str) -> dict[str, Any]:
    return {"op": "remove", "path": path}


REFUSED = (
    Refused("anchor", "an anchor of no episode", _remove("/identifier"), "profile-missing", "Procedure"),
    Refused("placement", "a placement of no episode", _remove("/partOf"), "profile-missing", "Procedure"),
    Refused("fill", "a fill in kilograms", _add("/valueQuantity", _MASS), "profile-value", "Observation.value"),
    Refused(
        "bleeding-response",
        "a bleeding response under the code of a fill",
        _add("/code", _OTHER),
        "profile-value",
        "Observation.code",
    ),
    Refused("heart-rate", "a pulse of no time", _remove("/effectiveDateTime"), "profile-missing", "Observation"),
    Refused(
        "computed",
        "a computed value that does not say by which version",
        _remove("/meta/tag"),
        "profile-missing",
        "Observation.meta",
    ),
    Refused("device", "a balloon without the entry that told of it", _remove("/extension"), "profile-slice", "Device"),
    Refused(
        "device-use",
        "a use that follows from no entry",
        _remove("/derivedFrom"),
        "profile-missing",
        "DeviceUseStatement",
    ),
    Refused("balloon-in-place", "a flag about something else", _add("/code", _OTHER), "profile-value", "Flag.code"),
    Refused(
        "haemorrhage", "a haemorrhage recorded at no time", _remove("/recordedDate"), "profile-missing", "Condition"
    ),
    Refused(
        "medication",
        "a drug of another kind",
        _add("/medicationCodeableConcept", _OTHER),
        "code-not-in-value-set",
        "MedicationAdministration.medication",
    ),
    Refused("due", "a task without a window", _remove("/restriction"), "profile-missing", "Task"),
    Refused("device-problem", "a problem of no kind", _remove("/event"), "profile-missing", "AdverseEvent"),
    Refused("sign-off", "a closure sent at no time", _remove("/sent"), "profile-missing", "Communication"),
    Refused("consent", "a consent of nobody", _remove("/patient"), "profile-missing", "Consent"),
    Refused("opening", "a stay of nobody", _remove("/subject"), "profile-missing", "Encounter"),
    Refused(
        "decision",
        "a decision that is only a proposal",
        _add("/intent", "proposal"),
        "profile-value",
        "ServiceRequest.intent",
    ),
    Refused("retraction", "a retraction of nothing named", _remove("/extension"), "profile-slice", "Provenance"),
    Refused(
        "case",
        "a case with a resource that has no address",
        _remove("/entry/0/fullUrl"),
        "profile-missing",
        "Bundle.entry[0]",
    ),
)


def refused(examples: Mapping[str, dict[str, Any]]) -> Iterator[tuple[Refused, dict[str, Any]]]:
    """Return each of them with its resource, made from the good example of its profile."""
    for one in REFUSED:
        yield one, json_patch(examples[profile(one.profile)], [one.change])
