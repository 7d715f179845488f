"""The balloon: preparing, placing, filling, trying to let down, taking out; and packs."""

from typing import Annotated, Literal

from fhirmod.episode.absent import Absent, Answer, or_absent
from fhirmod.episode.entry import Entry
from fhirmod.episode.moment import PartialDate
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import Carrier, EntryId, Label

Compartment = Literal["cavity", "retention", "vaginal"]
Retention = Literal["used", "not-used", "none"]


class DeviceFacts(Entry):
    """Facts of the device in hand, as its label or maker's hands give them; the label maximum is never a constant.

    Shape: `udi` is the unique identifier as read by a bar code reader or as printed; improvised devices have none.
           What is typed in `lot`, `serial` and `expires` stands over what `udi` says.
    """

    device: Literal["purpose-made", "improvised-condom-catheter", "improvised-other"] | None = None
    size: Label | None = None
    label_max_ml: Annotated[Amount, quantity("mL")] | None = None
    udi: Carrier | None = None
    lot: Label | None = None
    serial: Label | None = None
    expires: PartialDate | None = None
    latex: Answer | None = None
    retention: Annotated[Retention | Absent, or_absent] | None = None
    drain_lumen: Annotated[Literal["yes", "no", "blocked"] | Absent, or_absent] | None = None
    closure: Annotated[Literal["valve", "clamp", "tie"] | Absent, or_absent] | None = None


class BalloonPreparation(DeviceFacts):
    """A balloon was made ready."""

    kind: Literal["balloon-preparation"] = "balloon-preparation"
    assembly_checked: Answer | None = None
    antisepsis: Answer | None = None
    latex_allergy_asked: Answer | None = None


class PlacementAttempt(Entry):
    """A try to place a balloon that did not end with one in place."""

    kind: Literal["placement-attempt"] = "placement-attempt"
    route: Literal["vaginal", "through-incision"] | None = None
    obstacle: Label | None = None


class Placement(DeviceFacts):
    """A balloon is in place from `at`; this opens balloon n and its ledger.

    Shape: device facts given here stand over those of `preparation` (the entry id of its preparation; without
           one the latest preparation before it that no other placement used).
    """

    kind: Literal["placement"] = "placement"
    preparation: EntryId | None = None
    route: Annotated[Literal["vaginal", "through-incision"] | Absent, or_absent] | None = None
    method: Annotated[Literal["by-hand", "speculum-and-forceps"] | Absent, or_absent] | None = None
    position_confirmed: Answer | None = None
    ultrasound: Answer | None = None
    analgesia: Answer | None = None
    elsewhere: Literal["other-facility"] | None = None


class _InBalloon(Entry):
    """An entry about one balloon: `placement` is the entry id of its placement, else the one in place at the time."""

    placement: EntryId | None = None


class Fill(_InBalloon):
    """Fluid went in. Syringes without a size are not millilitres."""

    kind: Literal["fill"] = "fill"
    compartment: Compartment = "cavity"
    volume_ml: Annotated[Amount, quantity("mL")] | None = None
    syringes: Annotated[Amount, quantity("{count}", high=200)] | None = None
    syringe_ml: Annotated[Amount, quantity("mL")] | None = None
    resistance: Answer | None = None
    fluid: Literal["sodium-chloride-0.9", "water", "other"] | None = None


class Withdrawal(_InBalloon):
    """Fluid came out; only the purpose `trial` opens a trial. No volume means it was not measured."""

    kind: Literal["withdrawal"] = "withdrawal"
    compartment: Compartment = "cavity"
    volume_ml: Annotated[Amount, quantity("mL")] | None = None
    purpose: Literal["trial", "pain", "repositioning", "check", "emptying", "other"]


class VolumeStated(_InBalloon):
    """Someone saw, was told, or read on paper how much the balloon holds: sets or confirms a baseline."""

    kind: Literal["volume-stated"] = "volume-stated"
    compartment: Compartment = "cavity"
    volume_ml: Annotated[Amount, quantity("mL")]
    certainty: Literal["known", "at-least"] = "known"
    how: Literal["seen", "told", "paper"]


class Examination(Entry):
    """The genital tract and the balloon's position were examined."""

    kind: Literal["examination"] = "examination"
    under_anaesthesia: Answer | None = None
    position: Annotated[Literal["in-place", "displaced"] | Absent, or_absent] | None = None
    tears: Annotated[Literal["found", "not-found"] | Absent, or_absent] | None = None
    tissue: Annotated[Literal["found", "not-found"] | Absent, or_absent] | None = None


class Packing(Entry):
    """Packs went in or came out; in and out must agree."""

    kind: Literal["packing"] = "packing"
    action: Literal["in", "out"]
    packs: Annotated[Amount, quantity("{count}", high=100, whole=True)]


class Expulsion(_InBalloon):
    """The balloon came out by itself."""

    kind: Literal["expulsion"] = "expulsion"


class DeflationTrial(_InBalloon):
    """A deflation trial starts, or ends with what was seen."""

    kind: Literal["deflation-trial"] = "deflation-trial"
    step: Literal["start", "end"]
    result: Annotated[Literal["no-bleeding-seen", "bleeding-returned", "interrupted"] | Absent, or_absent] | None = None


class Removal(_InBalloon):
    """The balloon is out."""

    kind: Literal["removal"] = "removal"
    how: Annotated[Literal["removed", "pulled", "at-surgery"] | Absent, or_absent] | None = None
    place: Label | None = None
    senior_present: Answer | None = None
    theatre_ready: Answer | None = None
    blood_ready: Answer | None = None
    iv_access: Answer | None = None
