"""What was given and done besides the balloon."""

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import StrictBool, model_validator

from fhirmod.episode.absent import Absent, or_absent
from fhirmod.episode.entry import Entry, Part
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import Label

from .bleeding import Reading

Drug = Literal[
    "oxytocin",
    "carbetocin",
    "misoprostol",
    "ergometrine",
    "methylergometrine",
    "carboprost",
    "tranexamic-acid",
    "ampicillin",
    "cefazolin",
    "other",
]
Route = Literal["intravenous", "intramuscular", "sublingual", "rectal", "oral", "vaginal"]
FluidKind = Literal["ringer-lactate", "sodium-chloride-0.9", "other"]


class Dose(Part):
    """How much of a drug: a number and its UCUM unit."""

    value: Annotated[Decimal, quantity("dose")]
    unit: Literal["g", "mg", "ug", "[IU]", "mL"]


class Rate(Part):
    """How fast: a number and its UCUM unit."""

    value: Annotated[Decimal, quantity("rate")]
    unit: Literal["mL/h", "mL/min", "[IU]/h", "[IU]/min", "m[IU]/min", "mg/h", "ug/min"]


class Medication(Entry):
    """A single dose: given, or not given with the reason."""

    kind: Literal["medication"] = "medication"
    drug: Drug
    drug_text: Label | None = None
    dose: Dose | None = None
    route: Route | None = None
    given: StrictBool = True

    @model_validator(mode="after")
    def _other_named(self) -> "Medication":
        if self.drug == "other" and self.drug_text is None:
            raise ValueError("another drug needs its name in drug_text")
        return self


class Infusion(Entry):
    """A running infusion starts, changes its rate, or stops; `infusion` names it within the episode."""

    kind: Literal["infusion"] = "infusion"
    infusion: Label
    step: Literal["start", "rate", "stop"]
    drug: Drug | None = None
    drug_text: Label | None = None
    fluid: FluidKind | None = None
    amount: Dose | None = None
    bag_ml: Annotated[Amount, quantity("mL")] | None = None
    rate: Rate | None = None


class Fluid(Entry):
    """Fluid given into a vein."""

    kind: Literal["fluid"] = "fluid"
    fluid: FluidKind
    fluid_text: Label | None = None
    reading: Reading = "increment"
    collector: Label | None = None
    emptied: StrictBool = False
    volume_ml: Annotated[Amount, quantity("mL")]

    @model_validator(mode="after")
    def _collector_named(self) -> "Fluid":
        if self.reading == "collector-total" and self.collector is None:
            raise ValueError("a collector-total needs the collector's name in collector")
        return self


class Transfusion(Entry):
    """Blood or a blood product given."""

    kind: Literal["transfusion"] = "transfusion"
    product: Literal["red-cells", "whole-blood", "plasma", "platelets", "cryoprecipitate", "fibrinogen"]
    units: Annotated[Amount, quantity("{unit}")] | None = None
    volume_ml: Annotated[Amount, quantity("mL")] | None = None
    unit_number: Label | None = None


class Manoeuvre(Entry):
    """Something done by hand."""

    kind: Literal["manoeuvre"] = "manoeuvre"
    manoeuvre: Literal[
        "uterine-massage",
        "bimanual-compression",
        "aortic-compression",
        "manual-removal-of-placenta",
        "manual-exploration",
        "replacement-of-inverted-uterus",
        "repair-of-perineum",
        "repair-of-vagina",
        "repair-of-cervix",
        "other",
    ]
    manoeuvre_text: Label | None = None


class Bladder(Entry):
    """The bladder was emptied or a catheter placed or taken out."""

    kind: Literal["bladder"] = "bladder"
    action: Literal["catheter-placed", "emptied", "catheter-removed"]
    volume_ml: Annotated[Amount, quantity("mL")] | None = None


class Surgery(Entry):
    """An operation began (`at`); what was done and found."""

    kind: Literal["surgery"] = "surgery"
    procedures: tuple[
        Literal[
            "laparotomy",
            "compression-suture",
            "uterine-artery-ligation",
            "internal-iliac-artery-ligation",
            "uterine-artery-embolisation",
            "hysterectomy",
            "examination-under-anaesthesia",
            "evacuation",
            "repair",
            "other",
        ],
        ...,
    ] = ()
    findings: tuple[Literal["tissue", "tear", "rupture", "atony", "accreta", "coagulopathy", "none"], ...] = ()
    anaesthesia: Annotated[Literal["general", "regional", "local", "none"] | Absent, or_absent] | None = None
