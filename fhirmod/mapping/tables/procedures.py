"""What was done, as Procedure; and the device it was done with."""

from typing import Any

from fhirmod.episode import Placement
from fhirmod.mapping.carrier import LABEL_FACTS, CarrierText, LabelFact, says_label_facts
from fhirmod.mapping.special import FacilityDetail, PlacementReference, PreparationReference
from fhirmod.mapping.table import Code, Part, Row, Rows, Table


def _procedure(kind: str, *details: str, codes: tuple[Code, ...] = (), rows: tuple[Row, ...] = ()) -> Table:
    """Return the table of a kind that is one Procedure; what R4 has no element for goes as details."""
    all_rows = (*Rows(kind).details(*details), *rows)
    return Table(kind, (Part(kind, "Procedure", codes or (Code(kind),), all_rows, profiles=(kind,)),))


def _device(kind: str, *, when: Any = None) -> Part:
    """Return the part for the balloon itself, from the device facts of a preparation or placement."""
    rows = Rows(kind)
    return Part(
        "device",
        "Device",
        (*rows.codes("device"), Code("device.balloon")),
        (
            *rows.properties("size", "label_max_ml", "latex", "retention", "drain_lumen", "closure"),
            Row("udi", CarrierText()),
            *(Row(name, LabelFact(element)) for name, element in LABEL_FACTS.items()),
        ),
        when=when,
        finish=says_label_facts,
        profiles=("device",),
    )


def _uses_own_device(target: dict[str, Any], entry: Any, root: str) -> None:
    """Name the device; a placement that names a preparation and states facts of its own has two Devices."""
    named = target.setdefault("focalDevice", [])
    if not named or _own_device(entry):
        named.append({"manipulated": {"reference": f"Device/{root}.device"}})


def _own_device(entry: Placement) -> bool:
    """Return whether a placement needs a Device of its own: no preparation is named, or it states device facts."""
    facts = (
        "device",
        "size",
        "label_max_ml",
        "latex",
        "retention",
        "drain_lumen",
        "closure",
        "udi",
        "lot",
        "serial",
        "expires",
    )
    return entry.preparation is None or any(getattr(entry, name) is not None for name in facts)


_prepare = Rows("balloon-preparation")
_place = Rows("placement")

TABLES = (
    Table(
        "balloon-preparation",
        (
            Part(
                "balloon-preparation",
                "Procedure",
                (Code("balloon-preparation"),),
                _prepare.details("assembly_checked", "antisepsis", "latex_allergy_asked"),
                profiles=("balloon-preparation",),
                finish=_uses_own_device,
            ),
            _device("balloon-preparation"),
        ),
    ),
    Table(
        "placement",
        (
            Part(
                "placement",
                "Procedure",
                (Code("placement"),),
                (
                    Row("preparation", PreparationReference()),
                    *_place.details("route", "method", "position_confirmed", "ultrasound", "analgesia", "elsewhere"),
                ),
                profiles=("placement",),
                finish=_uses_own_device,
            ),
            _device("placement", when=_own_device),
        ),
    ),
    _procedure("placement-attempt", "route", "obstacle"),
    _procedure("examination", "under_anaesthesia", "position", "tears", "tissue"),
    _procedure("packing", "packs", codes=Rows("packing").codes("action")),
    _procedure(
        "deflation-trial",
        codes=Rows("deflation-trial").codes("step"),
        rows=(Rows("deflation-trial").element("result", "outcome"), Row("placement", PlacementReference())),
    ),
    _procedure(
        "removal",
        "how",
        "place",
        "senior_present",
        "theatre_ready",
        "blood_ready",
        "iv_access",
        rows=(Row("placement", PlacementReference()),),
    ),
    _procedure("surgery", "procedures", "findings", "anaesthesia"),
    _procedure("manoeuvre", "manoeuvre_text", codes=Rows("manoeuvre").codes("manoeuvre")),
    _procedure("bladder", "volume_ml", codes=Rows("bladder").codes("action")),
    _procedure(
        "transfer",
        "escort",
        codes=Rows("transfer").codes("step"),
        rows=(
            Row("from_facility", FacilityDetail("transfer.from_facility")),
            Row("to_facility", FacilityDetail("transfer.to_facility")),
        ),
    ),
)
