"""Complications, outcome, follow-up, and closing or taking back what was recorded."""

from typing import Annotated, ClassVar, Literal

from pydantic import model_validator

from fhirmod.episode.absent import Absent, Answer, or_absent
from fhirmod.episode.entry import Entry
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import EntryId, Label, Text


class Complication(Entry):
    """Something went wrong for the woman."""

    kind: Literal["complication"] = "complication"
    complication: Literal[
        "perforation",
        "cervical-injury",
        "perineal-injury",
        "vaginal-injury",
        "infection",
        "sepsis",
        "pain",
        "retained-balloon",
        "retained-pack",
        "concealed-bleeding",
        "latex-reaction",
        "shock",
        "coagulopathy",
        "cardiac-arrest",
        "other",
    ]
    complication_text: Label | None = None


class DeviceProblem(Entry):
    """Something went wrong with the balloon."""

    kind: Literal["device-problem"] = "device-problem"
    problem: Literal[
        "leak",
        "burst",
        "displaced",
        "cannot-deflate",
        "unintended-deflation",
        "inflation-problem",
        "difficult-to-insert",
        "difficult-to-remove",
        "unmeasured-drainage",
        "other",
    ]
    problem_text: Label | None = None
    placement: EntryId | None = None


class Newborn(Entry):
    """How a baby is."""

    kind: Literal["newborn"] = "newborn"
    baby: Annotated[Amount, quantity("{count}", low=1, high=12, whole=True)] | None = None
    status: Annotated[Literal["alive", "stillborn", "died"] | Absent, or_absent]
    breastfeeding: Answer | None = None


class Outcome(Entry):
    """How she is at the end of this stay, and near-miss items (WHO) that no other entry tells."""

    kind: Literal["outcome"] = "outcome"
    status: Annotated[Literal["alive", "died"] | Absent, or_absent]
    disposition: Literal["home", "other-facility", "against-advice", "died"] | None = None
    intensive_care: Answer | None = None
    cardiac_arrest: Answer | None = None
    vasoactive_infusion: Answer | None = None
    ventilation_min: Annotated[Amount, quantity("min")] | None = None
    dialysis: Answer | None = None
    unconscious_h: Annotated[Amount, quantity("h")] | None = None
    stroke: Answer | None = None
    uncontrollable_fits: Answer | None = None
    total_paralysis: Answer | None = None
    acute_cyanosis: Answer | None = None
    gasping: Answer | None = None
    jaundice_with_pre_eclampsia: Answer | None = None


class FollowUp(Entry):
    """Status at a later day (42 days is the usual end)."""

    kind: Literal["follow-up"] = "follow-up"
    status: Annotated[Literal["alive", "died"] | Absent, or_absent]
    day: Annotated[Amount, quantity("d")] | None = None


class SignOff(Entry):
    """The record is closed by a person (`performed_by`)."""

    kind: Literal["sign-off"] = "sign-off"


class Acknowledgement(Entry):
    """A person (`performed_by`) has seen a finding; it stays quiet for one interval of the watch, no longer.

    Shape: `finding` is the finding's key, which is the same while its cause stands.
    """

    kind: Literal["acknowledgement"] = "acknowledgement"
    finding: Label

    @model_validator(mode="after")
    def _by_name(self) -> "Acknowledgement":
        if self.performed_by is None:
            raise ValueError("an acknowledgement needs the name of who has seen it in performed_by")
        return self


class Note(Entry):
    """Words that fit nowhere else."""

    kind: Literal["note"] = "note"
    text: Text


class Retraction(Entry):
    """An entry is taken back, with its whole chain of corrections."""

    kind: Literal["retraction"] = "retraction"
    retracts: EntryId
    cause: Literal["wrong-woman", "never-happened", "duplicate", "undo", "other"] = "other"
    moved_to: Label | None = None

    REASON_NEEDED: ClassVar[bool] = True
