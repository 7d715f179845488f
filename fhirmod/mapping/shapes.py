"""What every image of one resource type shares: where subject, time, people, status and membership stand.

One row for each resource type; the tables of the kinds add the rest.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

_CONSENT_SCOPE = "http://terminology.hl7.org/CodeSystem/consentscope"
_VER_STATUS = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
_ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"


@dataclass(frozen=True)
class Shape:
    """Where the envelope stands in one resource type; a path of None means R4 has no such element there.

    `code` is the path of the element that tells what this is; `link` the element that ties it to the anchor;
    `statuses` the status written for an entry that stands, was corrected, or was withdrawn (a type without a
    status is deleted instead); `only_standing` the fixed elements that a withdrawn one may not have.
    """

    statuses: tuple[Any, Any, Any]
    code: str = "code"
    subject: str | None = "subject"
    encounter: str | None = "encounter"
    link: str | None = "partOf"
    at: str | None = None
    recorded_at: str | None = None
    performed_by: str | None = None
    recorded_by: str | None = None
    note: bool = True
    status: str | None = "status"
    identifier: Literal["many", "one"] | None = "many"
    fixed: Mapping[str, Any] = field(default_factory=dict)
    only_standing: frozenset[str] = frozenset()

    @cached_property
    def grown(self) -> tuple[str, ...]:
        """Return the lists that a part's own rows may add to."""
        return ("extension", self.link) if self.link and "." not in self.link else ("extension",)

    @cached_property
    def native(self) -> frozenset[str]:
        """Return the envelope fields this type has elements for."""
        places = {
            "at": self.at,
            "recorded_at": self.recorded_at,
            "performed_by": self.performed_by,
            "recorded_by": self.recorded_by,
            "comment": self.note,
        }
        return frozenset(name for name, place in places.items() if place)


def _condition_status(code: str) -> dict[str, Any]:
    return {"coding": [{"system": _VER_STATUS, "code": code}]}


SHAPES: dict[str, Shape] = {
    "Observation": Shape(
        statuses=("final", "corrected", "entered-in-error"),
        at="effectiveDateTime",
        recorded_at="issued",
        performed_by="performer[0]",
    ),
    "Procedure": Shape(
        statuses=("completed", "completed", "entered-in-error"),
        at="performedDateTime",
        performed_by="performer[0].actor",
        recorded_by="recorder",
    ),
    "MedicationAdministration": Shape(
        statuses=("completed", "completed", "entered-in-error"),
        code="medicationCodeableConcept",
        encounter="context",
        at="effectiveDateTime",
        performed_by="performer[0].actor",
    ),
    "Condition": Shape(
        statuses=tuple(map(_condition_status, ("confirmed", "confirmed", "entered-in-error"))),  # type: ignore[arg-type]
        status="verificationStatus",
        link=None,
        at="onsetDateTime",
        recorded_at="recordedDate",
        performed_by="asserter",
        recorded_by="recorder",
        fixed={"clinicalStatus": {"coding": [{"system": _CLINICAL, "code": "active"}]}},
        only_standing=frozenset({"clinicalStatus"}),  # invariant con-5
    ),
    "ServiceRequest": Shape(
        statuses=("active", "active", "entered-in-error"),
        link="supportingInfo",
        at="authoredOn",
        performed_by="requester",
        fixed={"intent": "order"},
    ),
    "Communication": Shape(
        statuses=("completed", "completed", "entered-in-error"),
        code="topic",
        at="sent",
        performed_by="sender",
    ),
    "Consent": Shape(
        statuses=("active", "active", "entered-in-error"),
        code="category[0]",
        subject="patient",
        encounter=None,
        link="provision.data",
        at="dateTime",
        performed_by="performer[0]",
        note=False,
        fixed={
            "scope": {"coding": [{"system": _CONSENT_SCOPE, "code": "treatment", "display": "Treatment"}]},
            "policyRule": {"text": "The facility's own rule for consent to treatment"},
        },
    ),
    "Encounter": Shape(
        statuses=("in-progress", "in-progress", "entered-in-error"),
        code="type[0]",
        encounter=None,
        link=None,
        at="period.start",
        performed_by="participant[0].individual",
        note=False,
        fixed={"class": {"system": _ACT_CODE, "code": "IMP", "display": "inpatient encounter"}},
    ),
    "Device": Shape(
        statuses=("active", "active", "entered-in-error"),
        code="type",
        subject="patient",
        encounter=None,
        link=None,
    ),
    "AdverseEvent": Shape(
        statuses=(None, None, None),
        status=None,
        code="event",
        link="suspectEntity",
        identifier="one",
        at="date",
        recorded_at="recordedDate",
        recorded_by="recorder",
        note=False,
        fixed={"actuality": "actual"},
    ),
    "Provenance": Shape(
        statuses=(None, None, None),
        status=None,
        code="activity",
        subject=None,
        encounter=None,
        link=None,
        at="occurredDateTime",
        recorded_at="recorded",
        performed_by="agent[0].who",
        note=False,
        identifier=None,
    ),
}
