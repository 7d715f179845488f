"""What was given, as MedicationAdministration."""

from collections.abc import Callable
from typing import Any, get_args

from fhirmod.episode import Dose, Infusion, Rate
from fhirmod.mapping.special import AmountDetail, AmountWithUnit, Given
from fhirmod.mapping.table import Code, Part, Row, Rows, Table
from fhirmod.mapping.urls import DATA_ABSENT

_DOSE_UNITS = get_args(Dose.model_fields["unit"].annotation)
_RATE_UNITS = get_args(Rate.model_fields["unit"].annotation)
_NO_DOSE = {"extension": [{"url": DATA_ABSENT, "valueCode": "unknown"}]}


def _dose_or_reason(target: dict[str, Any], entry: Any, root: str) -> None:
    """Satisfy R4's mad-1: a dosage has a dose or a rate, if only to say that it is not recorded."""
    dosage = target.get("dosage")
    if dosage is not None and "dose" not in dosage and "rateQuantity" not in dosage:
        dosage["dose"] = _NO_DOSE


def _stopped(target: dict[str, Any], entry: Infusion, root: str) -> None:
    """Say in R4's status that an infusion stopped: as `completed` it would count as given once more."""
    _dose_or_reason(target, entry, root)
    if entry.step == "stop" and target["status"] == "completed":
        target["status"] = "stopped"


def _given(
    kind: str,
    *details: str,
    codes: tuple[Code, ...],
    rows: tuple[Row, ...] = (),
    read_only: tuple[Part, ...] = (),
    finish: Callable[[dict[str, Any], Any, Any], None] = _dose_or_reason,
) -> Table:
    all_rows = (*rows, *Rows(kind).details(*details))
    part = Part(kind, "MedicationAdministration", codes, all_rows, profiles=(kind,), finish=finish)
    return Table(kind, (part, *read_only))


_medication = Rows("medication")
_infusion = Rows("infusion")
_fluid = Rows("fluid")
_transfusion = Rows("transfusion")

_TRANSFUSED = Part(  # many systems record a transfusion as a Procedure: read, never written
    "procedure",
    "Procedure",
    tuple(
        Code(code.key.replace("transfusion.product", "transfusion-of"), code.implies)
        for code in _transfusion.codes("product")
    ),
    always=False,
)
_NAMED_FLUIDS = tuple(code for code in _infusion.codes("fluid") if code.implies["fluid"] != "other")

TABLES = (
    _given(
        "medication",
        "drug_text",
        codes=_medication.codes("drug"),
        rows=(
            Row("dose", AmountWithUnit("dosage", "dose", units=_DOSE_UNITS)),
            _medication.element("route", "dosage.route"),
            Row("given", Given(), says_false=True),
        ),
    ),
    _given(
        "infusion",
        "infusion",
        "step",
        "drug_text",
        "fluid",
        "bag_ml",
        codes=(*_infusion.codes("drug"), *_NAMED_FLUIDS, Code("infusion")),
        rows=(
            Row("amount", AmountDetail("infusion.amount", _DOSE_UNITS)),
            Row("rate", AmountWithUnit("dosage", "rateQuantity", units=_RATE_UNITS)),
        ),
        finish=_stopped,
    ),
    _given(
        "fluid",
        "reading",
        "collector",
        "emptied",
        "fluid_text",
        codes=_fluid.codes("fluid"),
        rows=(_fluid.element("volume_ml", "dosage.dose"),),
    ),
    _given(
        "transfusion",
        "units",
        "unit_number",
        codes=_transfusion.codes("product"),
        rows=(_transfusion.element("volume_ml", "dosage.dose"),),
        read_only=(_TRANSFUSED,),
    ),
)
