"""Birth, the haemorrhage, what was lost, and how the bleeding looked."""

from typing import Annotated, Literal

from pydantic import StrictBool, model_validator

from fhirmod.episode.absent import Absent, or_absent
from fhirmod.episode.entry import Entry, Part
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import Label

Reading = Literal["increment", "collector-total", "stated-total"]


class Birth(Entry):
    """One baby's birth; intervals count from the last baby."""

    kind: Literal["birth"] = "birth"
    baby: Annotated[Amount, quantity("{count}", low=1, high=12, whole=True)] | None = None
    mode: Annotated[Literal["vaginal", "forceps", "vacuum", "caesarean"] | Absent, or_absent] | None = None
    place: Annotated[Literal["facility", "home", "on-the-way", "other"] | Absent, or_absent] | None = None


class Haemorrhage(Entry):
    """Haemorrhage was recognised (`at`); its causes as far as known, several may apply."""

    kind: Literal["haemorrhage"] = "haemorrhage"
    causes: tuple[Literal["tone", "trauma", "tissue", "thrombin"], ...] = ()


class Weighed(Part):
    """Items weighed together: grams wet, grams dry for each item, how many."""

    wet_g: Annotated[Amount, quantity("g")]
    dry_g_each: Annotated[Amount, quantity("g")]
    items: Annotated[Amount, quantity("{count}", low=1, high=500, whole=True)]


class BloodLoss(Entry):
    """Blood seen or measured. `reading` says whether the number adds, is a collector's total, or is only stated.

    Shape: `volume_ml` or `weighed`; `other_fluid_ml` (amniotic fluid, irrigation) is inside the volume and is
           subtracted; `emptied` says the collector was emptied at this entry, after its reading was taken.
    """

    kind: Literal["blood-loss"] = "blood-loss"
    reading: Reading = "increment"
    method: Literal["drape", "weighed", "canister", "visual", "other"]
    outlet: Literal["drain", "around", "clots", "suction", "at-removal", "not-seen"] | None = None
    collector: Label | None = None
    emptied: StrictBool = False
    volume_ml: Annotated[Amount, quantity("mL")] | None = None
    other_fluid_ml: Annotated[Amount, quantity("mL")] | None = None
    weighed: Weighed | None = None

    @model_validator(mode="after")
    def _one_amount(self) -> "BloodLoss":
        if self.volume_ml is not None and self.weighed is not None:
            raise ValueError("give volume_ml or weighed, not both")
        if self.volume_ml is None and self.weighed is None and not self.emptied:
            raise ValueError("give volume_ml (a number or the reason it is absent) or weighed")
        if self.reading == "collector-total" and self.collector is None:
            raise ValueError("a collector-total needs the collector's name in collector")
        return self


class BleedingResponse(Entry):
    """How the bleeding looked when someone looked."""

    kind: Literal["bleeding-response"] = "bleeding-response"
    response: Annotated[Literal["not-stopped", "reduced", "stopped", "returned"] | Absent, or_absent]
    amount: Literal["heavy", "moderate", "minimal", "normal"] | None = None
