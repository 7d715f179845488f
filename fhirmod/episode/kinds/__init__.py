"""The kinds of entry: one class each, grouped by what they speak of; `KINDS` is the one index.

Its order is the natural order of events and breaks ties between entries of the same instant.
"""

from fhirmod.episode.entry import Entry

from .balloon import (
    BalloonPreparation,
    DeflationTrial,
    DeviceFacts,
    Examination,
    Expulsion,
    Fill,
    Packing,
    Placement,
    PlacementAttempt,
    Removal,
    VolumeStated,
    Withdrawal,
)
from .bleeding import Birth, BleedingResponse, BloodLoss, Haemorrhage, Weighed
from .closing import Complication, DeviceProblem, FollowUp, Newborn, Note, Outcome, Retraction, SignOff
from .people import Background, Conditions, Consent, Custody, Decision, Help, Opening, ProtocolStamp, Transfer, Woman
from .treatment import Bladder, Dose, Fluid, Infusion, Manoeuvre, Medication, Rate, Surgery, Transfusion
from .watch import Laboratory, Urine, UterineCheck, VitalSigns

KINDS: dict[str, type[Entry]] = {
    kind.model_fields["kind"].default: kind
    for kind in (
        Opening,
        Background,
        Birth,
        Newborn,
        Haemorrhage,
        Help,
        Conditions,
        Consent,
        Manoeuvre,
        Medication,
        Infusion,
        Fluid,
        Transfusion,
        Bladder,
        Laboratory,
        Decision,
        BalloonPreparation,
        PlacementAttempt,
        Placement,
        VolumeStated,
        Fill,
        Examination,
        VitalSigns,
        UterineCheck,
        Urine,
        BleedingResponse,
        BloodLoss,
        Transfer,
        Custody,
        DeflationTrial,
        Withdrawal,
        Expulsion,
        Removal,
        Packing,
        Surgery,
        Complication,
        DeviceProblem,
        Outcome,
        FollowUp,
        Note,
        SignOff,
        Retraction,
    )
}

RANK: dict[str, int] = {kind: rank for rank, kind in enumerate(KINDS)}

__all__ = [
    "KINDS",
    "RANK",
    "Background",
    "BalloonPreparation",
    "Birth",
    "Bladder",
    "BleedingResponse",
    "BloodLoss",
    "Complication",
    "Conditions",
    "Consent",
    "Custody",
    "Decision",
    "DeflationTrial",
    "DeviceFacts",
    "DeviceProblem",
    "Dose",
    "Examination",
    "Expulsion",
    "Fill",
    "Fluid",
    "FollowUp",
    "Haemorrhage",
    "Help",
    "Infusion",
    "Laboratory",
    "Manoeuvre",
    "Medication",
    "Newborn",
    "Note",
    "Opening",
    "Outcome",
    "Packing",
    "Placement",
    "PlacementAttempt",
    "ProtocolStamp",
    "Rate",
    "Removal",
    "Retraction",
    "SignOff",
    "Surgery",
    "Transfer",
    "Transfusion",
    "Urine",
    "UterineCheck",
    "VitalSigns",
    "VolumeStated",
    "Weighed",
    "Withdrawal",
    "Woman",
]
