"""What was seen and measured, as Observation."""

from collections.abc import Callable
from typing import Any

from fhirmod.compute import net_loss_ml
from fhirmod.episode import Birth, BloodLoss, Moment, VitalSigns
from fhirmod.mapping.codec import codec_of
from fhirmod.mapping.places import Component, MainValue
from fhirmod.mapping.special import GrossVolume, PlacementReference
from fhirmod.mapping.table import Code, Part, Row, Rows, Table

_R4_VITALS = "http://hl7.org/fhir/StructureDefinition/"


def _sign(name: str, part: str, r4: str | None = None) -> Part:
    """Return the part of one sign; `r4` names its R4 vital-signs profile, if it has one of its own."""
    return Part(
        part,
        "Observation",
        (Code(f"vital-signs.{name}"),),
        (Rows("vital-signs").value(name),),
        always=False,
        category="exam" if r4 is None else "vital-signs",
        profiles=(part,) if r4 is None else (part, _R4_VITALS + r4),
    )


_vitals = Rows("vital-signs")
_PRESSURE = Part(
    "blood-pressure",
    "Observation",
    (Code("vital-signs.blood-pressure"),),
    (
        *_vitals.components("systolic_mmhg", "diastolic_mmhg", required=True),
        _vitals.flagged("palpated", "method"),
    ),
    always=False,
    category="vital-signs",
    profiles=("blood-pressure", _R4_VITALS + "bp"),
)
_VITAL_PARTS = (
    _sign("pulse_per_min", "heart-rate", "heartrate"),
    _PRESSURE,
    _sign("respiratory_rate_per_min", "respiratory-rate", "resprate"),
    _sign("temperature_cel", "body-temperature", "bodytemp"),
    _sign("spo2_percent", "oxygen-saturation", "oxygensat"),
)


_OTHER_PARTS = (
    _sign("mental_state", "mental-state"),
    _sign("on_oxygen", "on-oxygen"),
    _sign("capillary_refill_s", "capillary-refill"),
    _sign("headache_or_breathless", "headache-or-breathless"),
    _sign("nurse_concern", "nurse-concern"),
    _sign("disproportionate_pain", "disproportionate-pain"),
)


def _said(entry: VitalSigns, parts: tuple[Part, ...]) -> list[Part]:
    return [part for part in parts if part.says(entry)]


def _members(target: dict[str, Any], entry: VitalSigns, root: str) -> None:
    said = _said(entry, (*_VITAL_PARTS, *_OTHER_PARTS))
    target["hasMember"] = [{"reference": f"Observation/{root}.{part.name}"} for part in said]


def _only_vital(entry: Any) -> bool:
    return len(_said(entry, _VITAL_PARTS)) > 1 and not _said(entry, _OTHER_PARTS)


def _with_others(entry: Any) -> bool:
    others = len(_said(entry, _OTHER_PARTS))
    return others > 0 and others + len(_said(entry, _VITAL_PARTS)) > 1


_PANELS = (
    Part(
        "vital-signs-panel",
        "Observation",
        (Code("vital-signs.panel"),),
        when=_only_vital,
        category="vital-signs",
        profiles=("vital-signs-panel", _R4_VITALS + "vitalspanel"),
        finish=_members,
    ),
    # R4's panel takes vital signs alone as members; a set with more is a panel of our own
    Part(
        "round",
        "Observation",
        (Code("round"),),
        when=_with_others,
        category="exam",
        profiles=("round",),
        finish=_members,
    ),
)


def _net(target: dict[str, Any], entry: BloodLoss, root: str) -> None:
    """Write the net loss as the main value where more than blood was measured, and the gross as a component."""
    if entry.weighed is None and entry.other_fluid_ml is None:
        return
    if (gross := target.pop("valueQuantity", None)) is not None:
        _gross.put(target, gross["value"])
    net = net_loss_ml(entry)
    if net is not None:
        _loss_value.put(target, net)


_loss = Rows("blood-loss")
_loss_codec = codec_of(BloodLoss, "volume_ml", "blood-loss.volume_ml")
_loss_value = MainValue(_loss_codec)
_gross = Component("blood-loss.volume_ml", _loss_codec)
_BLOOD_LOSS = Part(
    "blood-loss",
    "Observation",
    (
        Code("collector-reading", {"reading": "collector-total"}, assumes={"method": "other"}),
        Code("stated-total", {"reading": "stated-total"}, assumes={"method": "other"}),
        Code("blood-loss-visual", {"reading": "increment", "method": "visual"}),
        Code("blood-loss", {"reading": "increment", "method": "other"}),
        Code("blood-loss-measured", {"reading": "increment"}, assumes={"method": "other"}),
    ),
    (
        Row("volume_ml", GrossVolume(_loss_codec, "blood-loss.volume_ml", "blood-loss.weighed.wet_g")),
        _loss.element("method", "method"),
        *_loss.components("outlet", "collector", "emptied", "other_fluid_ml"),
        *_loss.components("weighed.wet_g", "weighed.dry_g_each", "weighed.items"),
    ),
    category="exam",
    profiles=("blood-loss",),
    finish=_net,
)


def _time_of_birth(target: dict[str, Any], entry: Birth, root: str) -> None:
    if isinstance(entry.at, Moment):
        target["valueDateTime"] = entry.at.text


def _panel(kind: str, *names: str, category: str = "exam") -> Table:
    """Return the table of a kind that is one Observation with a component for each field."""
    rows = Rows(kind).components(*names)
    return Table(kind, (Part(kind, "Observation", (Code(kind),), rows, category=category, profiles=(kind,)),))


def _about_balloon(kind: str, *names: str, finish: Callable[..., None] | None = None) -> Table:
    """Return the table of a volume that belongs to a balloon: a main value, components, and which balloon."""
    rows = Rows(kind)
    all_rows = (rows.value("volume_ml"), *rows.components(*names), Row("placement", PlacementReference()))
    part = Part(kind, "Observation", (Code(kind),), all_rows, category="procedure", profiles=(kind,), finish=finish)
    return Table(kind, (part,))


def _laboratory() -> Table:
    rows = Rows("laboratory")
    names = (
        "haemoglobin_g_dl",
        "haematocrit_percent",
        "platelets_10e9_l",
        "fibrinogen_g_l",
        "inr",
        "lactate_mmol_l",
        "creatinine_umol_l",
        "bilirubin_umol_l",
        "ph",
        "pao2_fio2_mmhg",
        "clot_forms",
    )
    parts = (
        Part(
            _part_name(name),
            "Observation",
            (Code(f"laboratory.{name}"),),
            (rows.value(name),),
            always=False,
            category="laboratory",
            profiles=("laboratory",),
        )
        for name in names
    )
    return Table("laboratory", tuple(parts))


def _part_name(field: str) -> str:
    return field.split("_")[0] if field != "clot_forms" else "clotting"


def _urine() -> Table:
    rows = Rows("urine")
    codes = (
        Code("urine-collector-reading", {"reading": "collector-total"}),
        Code("urine-stated-total", {"reading": "stated-total"}),
        Code("urine", {"reading": "increment"}),
    )
    all_rows = (rows.value("volume_ml"), *rows.components("collector", "emptied", "over_min"))
    return Table("urine", (Part("urine", "Observation", codes, all_rows, category="exam", profiles=("urine",)),))


def _bleeding_response() -> Table:
    rows = Rows("bleeding-response")
    part = Part(
        "bleeding-response",
        "Observation",
        (Code("bleeding-response"),),
        (rows.value("response"), *rows.components("amount")),
        category="exam",
        profiles=("bleeding-response",),
    )
    return Table("bleeding-response", (part,))


def _status_of(kind: str, *names: str) -> Table:
    """Return the table of a kind whose main value is a status."""
    rows = Rows(kind)
    all_rows = (rows.value("status"), *rows.components(*names))
    return Table(kind, (Part(kind, "Observation", (Code(kind),), all_rows, category="survey", profiles=(kind,)),))


def _note() -> Table:
    row = Rows("note").value("text")
    return Table("note", (Part("note", "Observation", (Code("note"),), (row,), category="exam", profiles=("note",)),))


TABLES = (
    Table(
        "birth",
        (
            Part(
                "birth",
                "Observation",
                (Code("birth.time"), Code("birth")),
                Rows("birth").components("baby", "mode", "place"),
                category="exam",
                profiles=("birth",),
                finish=_time_of_birth,
            ),
        ),
    ),
    Table("blood-loss", (_BLOOD_LOSS,)),
    Table(
        "vital-signs",
        (
            *_PANELS,
            *_VITAL_PARTS,
            *_OTHER_PARTS,
        ),
    ),
    _panel(
        "uterine-check",
        "tone",
        "fundus_finger_breadths",
        "fundus_above_symphysis_cm",
        "skin_mark",
        "baseline",
    ),
    _urine(),
    _laboratory(),
    _bleeding_response(),
    _about_balloon("fill", "compartment", "syringes", "syringe_ml", "resistance", "fluid"),
    _about_balloon("withdrawal", "compartment", "purpose"),
    _about_balloon("volume-stated", "compartment", "certainty", "how"),
    Table(
        "expulsion",
        (
            Part(
                "expulsion",
                "Observation",
                (Code("expulsion"),),
                (Row("placement", PlacementReference()),),
                category="procedure",
                profiles=("expulsion",),
            ),
        ),
    ),
    _panel(
        "conditions",
        "surgery_reachable",
        "blood_reachable",
        "first_line_done",
        "other_causes_excluded",
        "trained_operator",
        "monitoring_possible",
        category="survey",
    ),
    _panel(
        "background",
        "level_of_care",
        "age_years",
        "gravidity",
        "parity",
        "gestation_days",
        "babies",
        "haemoglobin_before_g_dl",
        "weight_kg",
        "height_cm",
        "hypertension",
        "asthma",
        "coagulopathy",
        "beta_blocker",
        "latex_allergy",
        "allergies",
        category="survey",
    ),
    _status_of("newborn", "baby", "breastfeeding"),
    _status_of(
        "outcome",
        "disposition",
        "intensive_care",
        "cardiac_arrest",
        "vasoactive_infusion",
        "ventilation_min",
        "dialysis",
        "unconscious_h",
        "stroke",
        "uncontrollable_fits",
        "total_paralysis",
        "acute_cyanosis",
        "gasping",
        "jaundice_with_pre_eclampsia",
    ),
    _status_of("follow-up", "day"),
    _note(),
)
