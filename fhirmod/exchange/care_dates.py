"""When care was given, by type: the search parameter that says it; what has none is a state or a fact, and undated."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from fhirmod.mapping import searches
from fhirmod.r4 import DateValue, values_of

CARE_DATES: Mapping[str, tuple[str, ...]] = {  # the first that has a value counts
    "AdverseEvent": ("date",),
    "AuditEvent": ("date",),
    "CarePlan": ("date", "activity-date"),
    "CareTeam": ("date",),
    "ClinicalImpression": ("date",),
    "Communication": ("sent", "received"),
    "CommunicationRequest": ("occurrence", "authored"),
    "Composition": ("period", "date"),
    "Consent": ("date",),
    "DetectedIssue": ("identified",),
    "DeviceUseStatement": ("timing",),
    "DiagnosticReport": ("date",),
    "DocumentReference": ("period", "date"),
    "Encounter": ("date",),
    "EpisodeOfCare": ("date",),
    "Flag": ("date",),
    "Immunization": ("date",),
    "List": ("date",),
    "MeasureReport": ("period", "date"),
    "Media": ("created",),
    "MedicationAdministration": ("effective-time",),
    "MedicationDispense": ("whenhandedover", "whenprepared"),
    "MedicationRequest": ("date", "authoredon"),
    "MedicationStatement": ("effective",),
    "Observation": ("date",),
    "Procedure": ("date",),
    "QuestionnaireResponse": ("authored",),
    "RiskAssessment": ("date",),
    "ServiceRequest": ("occurrence", "authored"),
    "Specimen": ("collected",),
    "Task": ("period", "authored-on"),
}
# An allergy or a condition that began long ago still holds; who and whose she is has no date; a Provenance goes with
# what it tells of.
UNDATED = frozenset(
    (
        "Account",
        "AllergyIntolerance",
        "Basic",
        "Condition",
        "Coverage",
        "FamilyMemberHistory",
        "Goal",
        "Group",
        "Patient",
        "Provenance",
        "RelatedPerson",
        "SupplyDelivery",
    )
)


def given_between(resource: Mapping[str, Any], start: datetime | None, end: datetime | None) -> bool:
    """Return whether the care that a resource records may lie in [start, end); what states no date may.

    Source: http://hl7.org/fhir/R4/patient-operation-everything.html (care dates, not record currency dates).
    """
    if start is None and end is None:
        return True
    type_ = str(resource.get("resourceType"))
    for name in CARE_DATES.get(type_, ()):
        found = [one for one in values_of(searches(type_)[name], dict(resource)) if isinstance(one, DateValue)]
        if found:
            return any(_meets(one, start, end) for one in found)
    return True


def _meets(value: DateValue, start: datetime | None, end: datetime | None) -> bool:
    begins_in_time = end is None or value.low is None or value.low < end
    return begins_in_time and (start is None or value.high is None or value.high > start)
