"""What is searched by here: R4's parameters, and ours where R4 has none for what a registry asks of a case."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from fhirmod.r4 import SearchParameter, search_parameters

from .urls import BASE, DUE_TO


@dataclass(frozen=True, slots=True)
class OwnSearch:
    """A search parameter of ours: for which type, its code and kind, the path it follows, what it finds."""

    base: str
    code: str
    type: str
    expression: str
    described: str
    targets: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        """Return the id of its definition."""
        return f"{self.base}-{self.code}"

    @property
    def url(self) -> str:
        """Return the canonical of its definition."""
        return f"{BASE}/SearchParameter/{self.id}"


OWN_SEARCHES = (
    OwnSearch(
        "Condition",
        "due-to",
        "token",
        f"Condition.extension('{DUE_TO}').value",
        "The cause of a haemorrhage, as a code: R4's extension condition-dueTo.",
    ),
    OwnSearch(
        "DeviceUseStatement",
        "timing",
        "date",
        "DeviceUseStatement.timing",
        "When a balloon was in place: the interval from its placement to its end.",
    ),
    OwnSearch(
        "DeviceUseStatement",
        "status",
        "token",
        "DeviceUseStatement.status",
        "Whether a balloon is in place (active) or no more (completed).",
    ),
    OwnSearch(
        "DeviceUseStatement",
        "derived-from",
        "reference",
        "DeviceUseStatement.derivedFrom",
        "The tamponade (its anchor Procedure) or the placement that an interval in place belongs to.",
        ("Claim", "DocumentReference", "Observation", "Procedure", "QuestionnaireResponse", "ServiceRequest"),
    ),
    OwnSearch("Flag", "status", "token", "Flag.status", "Whether a balloon is in place now (active)."),
    OwnSearch(
        "MedicationAdministration",
        "part-of",
        "reference",
        "MedicationAdministration.partOf",
        "The tamponade (its anchor Procedure) that a drug, fluid or blood product was given in.",
        ("MedicationAdministration", "Procedure"),
    ),
    OwnSearch(
        "Procedure",
        "complication",
        "reference",
        "Procedure.complicationDetail",
        "The Condition that went wrong in the course of a tamponade.",
        ("Condition",),
    ),
    OwnSearch(
        "Procedure",
        "device",
        "reference",
        "Procedure.focalDevice.manipulated",
        "The balloon that a Procedure placed, made ready or took out.",
        ("Device",),
    ),
    OwnSearch(
        "Procedure", "outcome", "token", "Procedure.outcome", "How a Procedure ended, such as the trial of a balloon."
    ),
    OwnSearch(
        "Task",
        "due",
        "date",
        "Task.restriction.period",
        "The window that something is due in, by the site protocol.",
    ),
)


@cache
def searches(type_: str) -> Mapping[str, SearchParameter]:
    """Return the search parameters of a resource type by code: R4's and ours, which never take a code of R4's."""
    own = {
        one.code: SearchParameter(one.code, one.type, one.url, one.base, one.expression, frozenset(one.targets))
        for one in OWN_SEARCHES
        if one.base == type_
    }
    return {**own, **search_parameters(type_)}
