"""Opening the record, the woman, the team, consent, and who has accepted her."""

from typing import Annotated, Literal

from pydantic import StrictBool, model_validator

from fhirmod.episode.absent import Absent, Answer, or_absent
from fhirmod.episode.entry import Entry, Facility, Part
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import Label, Text, Uri


class Woman(Part):
    """Who the record is about: an identifier if known, else what the room calls her ("woman, bed 3")."""

    identifier_system: Uri | None = None
    identifier: Label | None = None
    label: Label | None = None

    @model_validator(mode="after")
    def _called_something(self) -> "Woman":
        if self.identifier is None and (self.label is None or self.identifier_system is not None):
            raise ValueError("give an identifier (with its identifier_system if it has one) or a label")
        return self


class ProtocolStamp(Part):
    """Which site protocol and software version the verdicts of this episode use."""

    id: Label
    hash: Label
    software: Label


class Opening(Entry):
    """The record is opened: facility and time are enough; the woman may be identified later."""

    kind: Literal["opening"] = "opening"
    facility: Facility
    woman: Woman | None = None
    drill: StrictBool = False
    arrived_with_balloon: Answer | None = None
    protocol: ProtocolStamp | None = None


class Background(Entry):
    """What was known of the woman before: the registry's fields and the conditions that change what is safe."""

    kind: Literal["background"] = "background"
    level_of_care: Annotated[Literal["home", "primary", "secondary", "tertiary"] | Absent, or_absent] | None = None
    age_years: Annotated[Amount, quantity("a", high=120, whole=True)] | None = None
    gravidity: Annotated[Amount, quantity("{count}", high=40, whole=True)] | None = None
    parity: Annotated[Amount, quantity("{count}", high=40, whole=True)] | None = None
    gestation_days: Annotated[Amount, quantity("d", high=400, whole=True)] | None = None
    babies: Annotated[Amount, quantity("{count}", low=1, high=12, whole=True)] | None = None
    haemoglobin_before_g_dl: Annotated[Amount, quantity("g/dL", high=40)] | None = None
    weight_kg: Annotated[Amount, quantity("kg", high=500)] | None = None
    height_cm: Annotated[Amount, quantity("cm", high=300)] | None = None
    hypertension: Answer | None = None
    asthma: Answer | None = None
    coagulopathy: Answer | None = None
    beta_blocker: Answer | None = None
    latex_allergy: Answer | None = None
    allergies: Text | None = None


class Help(Entry):
    """Help was called or arrived."""

    kind: Literal["help"] = "help"
    step: Literal["called", "arrived"]
    role: Label | None = None


class Conditions(Entry):
    """What must be in place for a balloon, each yes, no or not recorded.

    Source: common practice, no published source (the grouping); WHO 2021 for "standard care in place".
    """

    kind: Literal["conditions"] = "conditions"
    surgery_reachable: Answer | None = None
    blood_reachable: Answer | None = None
    first_line_done: Answer | None = None
    other_causes_excluded: Answer | None = None
    trained_operator: Answer | None = None
    monitoring_possible: Answer | None = None


class Consent(Entry):
    """Consent was given, could not be asked (emergency), or was refused; which products are refused."""

    kind: Literal["consent"] = "consent"
    answer: Annotated[Literal["given", "emergency", "refused"] | Absent, or_absent]
    scope: Literal["balloon", "surgery", "blood-products", "transfer", "all"] | None = None
    refused_products: tuple[
        Literal[
            "red-cells",
            "whole-blood",
            "plasma",
            "platelets",
            "cryoprecipitate",
            "fibrinogen",
            "all-blood-products",
        ],
        ...,
    ] = ()


class Decision(Entry):
    """A decision was made."""

    kind: Literal["decision"] = "decision"
    choice: Literal["balloon", "transfer", "theatre", "stop"]


class Transfer(Entry):
    """A step of sending her on: decided, called, departed, arrived."""

    kind: Literal["transfer"] = "transfer"
    step: Literal["decided", "called", "departed", "arrived"]
    from_facility: Facility | None = None
    to_facility: Facility | None = None
    escort: Label | None = None


class Custody(Entry):
    """Someone, by name and role (`performed_by`), accepted, declined or diverted her."""

    kind: Literal["custody"] = "custody"
    answer: Literal["accepted", "declined", "diverted"]
    facility: Facility | None = None
