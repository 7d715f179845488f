"""What is watched: vital signs, the uterus, urine, the laboratory."""

from typing import Annotated, Literal

from pydantic import StrictBool, model_validator

from fhirmod.episode.absent import Absent, Answer, or_absent
from fhirmod.episode.entry import Entry, says_something
from fhirmod.episode.quantity import Amount, quantity
from fhirmod.episode.text import Label

from .bleeding import Reading

MentalState = Literal["alert", "confused", "voice", "pain", "unresponsive"]


class VitalSigns(Entry):
    """One set of vital signs taken together; an unrecordable pressure is `could-not-measure`, not a gap.

    Shape: `palpated` says the systolic pressure was felt, so there is no diastolic.
    """

    kind: Literal["vital-signs"] = "vital-signs"
    pulse_per_min: Annotated[Amount, quantity("/min", whole=True)] | None = None
    systolic_mmhg: Annotated[Amount, quantity("mm[Hg]", whole=True)] | None = None
    diastolic_mmhg: Annotated[Amount, quantity("mm[Hg]", whole=True)] | None = None
    palpated: StrictBool = False
    respiratory_rate_per_min: Annotated[Amount, quantity("/min", whole=True)] | None = None
    temperature_cel: Annotated[Amount, quantity("Cel")] | None = None
    spo2_percent: Annotated[Amount, quantity("%", high=100)] | None = None
    on_oxygen: Answer | None = None
    mental_state: Annotated[MentalState | Absent, or_absent] | None = None
    capillary_refill_s: Annotated[Amount, quantity("s")] | None = None
    headache_or_breathless: Answer | None = None
    nurse_concern: Answer | None = None
    disproportionate_pain: Answer | None = None

    @model_validator(mode="after")
    def _says_something(self) -> "VitalSigns":
        return says_something(self)

    @model_validator(mode="after")
    def _palpated_has_no_diastolic(self) -> "VitalSigns":
        if self.palpated and self.diastolic_mmhg is not None and not isinstance(self.diastolic_mmhg, Absent):
            raise ValueError("a palpated pressure has no diastolic; leave diastolic_mmhg out")
        return self


class UterineCheck(Entry):
    """Tone and height of the uterus; heights compare within one scale only.

    Units:  finger-breadths above (+) or below (-) the umbilicus; cm above the symphysis.
    """

    kind: Literal["uterine-check"] = "uterine-check"
    tone: Annotated[Literal["firm", "soft"] | Absent, or_absent] | None = None
    fundus_finger_breadths: Annotated[Amount, quantity("{finger-breadth}", low=-15, high=15)] | None = None
    fundus_above_symphysis_cm: Annotated[Amount, quantity("cm", high=60)] | None = None
    skin_mark: Answer | None = None
    baseline: StrictBool = False


class Urine(Entry):
    """Urine passed or drained."""

    kind: Literal["urine"] = "urine"
    reading: Reading = "increment"
    collector: Label | None = None
    emptied: StrictBool = False
    volume_ml: Annotated[Amount, quantity("mL")]
    over_min: Annotated[Amount, quantity("min")] | None = None

    @model_validator(mode="after")
    def _collector_named(self) -> "Urine":
        if self.reading == "collector-total" and self.collector is None:
            raise ValueError("a collector-total needs the collector's name in collector")
        return self


class Laboratory(Entry):
    """Results of one sample; `at` is when it was taken."""

    kind: Literal["laboratory"] = "laboratory"
    haemoglobin_g_dl: Annotated[Amount, quantity("g/dL")] | None = None
    haematocrit_percent: Annotated[Amount, quantity("%", high=100)] | None = None
    platelets_10e9_l: Annotated[Amount, quantity("10*9/L")] | None = None
    fibrinogen_g_l: Annotated[Amount, quantity("g/L")] | None = None
    inr: Annotated[Amount, quantity("{INR}")] | None = None
    lactate_mmol_l: Annotated[Amount, quantity("mmol/L")] | None = None
    creatinine_umol_l: Annotated[Amount, quantity("umol/L")] | None = None
    bilirubin_umol_l: Annotated[Amount, quantity("umol/L")] | None = None
    ph: Annotated[Amount, quantity("[pH]", high=14)] | None = None
    pao2_fio2_mmhg: Annotated[Amount, quantity("mm[Hg]")] | None = None
    clot_forms: Answer | None = None

    @model_validator(mode="after")
    def _says_something(self) -> "Laboratory":
        return says_something(self)
