"""A device's unique identifier <-> Device.udiCarrier, and the label facts that it states.

::

    entry.udi --CarrierText--> carrierHRF as printed, carrierAIDC as scanned, deviceIdentifier and issuer
    entry.udi --says_label_facts--> lotNumber, serialNumber, expirationDate (where nobody typed them, marked),
                                    manufactureDate, distinctIdentifier

What was typed stands over what the identifier says; a marked element is not read back as typed unless it was changed.
"""

import re
from base64 import b64decode, b64encode
from typing import Any

from fhirmod.udi import Agency, as_printed, read_udi

from .demand import Demand
from .places import View
from .urls import FROM_UDI, UDI_ISSUERS

LABEL_FACTS = {"lot": "lotNumber", "serial": "serialNumber", "expires": "expirationDate"}
_ISSUED_BY: dict[str, Agency] = {
    "gs1": "gs1",
    "hibcc": "hibcc",
    "iccbba-blood": "iccbba-blood",
    "iccbba": "iccbba",
}
_READABLE = re.compile(r"[^\x00-\x03\x05-\x1b\x1f]{1,500}")
_ANY_YEAR = 2000  # the identifier itself has no date


class CarrierText:
    """The identifier byte for byte: `carrierHRF` if it is as printed, else `carrierAIDC` beside the printed form.

    Shape: a partner's device identifier alone is read as the text that carries it.
    Source: HL7 FHIR R4 Device: carrierAIDC is base64; a string holds no separators.
    """

    elements: tuple[str, ...] = (
        "udiCarrier.deviceIdentifier",
        "udiCarrier.issuer",
        "udiCarrier.carrierAIDC",
        "udiCarrier.carrierHRF",
        "udiCarrier.entryType",
    )

    def put(self, target: dict[str, Any], value: str) -> None:
        said = read_udi(value, _ANY_YEAR)
        carrier: dict[str, Any] = {}
        if said.identifier is not None and said.agency is not None:
            carrier |= {"deviceIdentifier": said.identifier, "issuer": UDI_ISSUERS[said.agency]}
        if said.printed != value:
            carrier["carrierAIDC"] = b64encode(value.encode()).decode()
        carrier["carrierHRF"] = said.printed
        if value.startswith("]"):
            carrier["entryType"] = "barcode"
        target["udiCarrier"] = [carrier]

    def get(self, view: View) -> str | None:
        return next((text for one in view.resource.get("udiCarrier", ()) if (text := _text(one))), None)

    def asks(self) -> tuple[Demand, ...]:
        return ()


class LabelFact:
    """A fact of the label that someone typed; one that only the identifier states is marked and not read back."""

    def __init__(self, element: str) -> None:
        self._element = element

    @property
    def elements(self) -> tuple[str, ...]:
        return (self._element,)

    def put(self, target: dict[str, Any], value: str) -> None:
        target[self._element] = value

    def get(self, view: View) -> str | None:
        value = view.resource.get(self._element)
        for item in (view.resource.get(f"_{self._element}") or {}).get("extension", ()):
            if item.get("url") == FROM_UDI and item.get("valueString") == value:
                return None
        return value if isinstance(value, str) else None

    def asks(self) -> tuple[Demand, ...]:
        return ()


def says_label_facts(target: dict[str, Any], entry: Any, root: str) -> None:
    """Add what the identifier says of lot, serial and dates where nobody typed it (one-way).

    Shape: two-digit years are counted from the year in which the entry was recorded.
    """
    if entry.udi is None:
        return
    said = read_udi(entry.udi, entry.recorded_at.day.year)
    for name, element in LABEL_FACTS.items():
        value = getattr(said, name)
        if value is not None and element not in target:
            target[element] = value
            target[f"_{element}"] = {"extension": [{"url": FROM_UDI, "valueString": value}]}
    if said.manufactured is not None:
        target["manufactureDate"] = said.manufactured
    if said.donation is not None:
        target["distinctIdentifier"] = said.donation


def _text(carrier: Any) -> str | None:
    """Return the identifier's text from what a carrier has: as scanned, as printed, or its identifier alone."""
    scanned = _decoded(carrier.get("carrierAIDC"))
    return scanned or carrier.get("carrierHRF") or _identifier_alone(carrier)


def _decoded(encoded: Any) -> str | None:
    """Return the text of a carrierAIDC, or None if it is none (a picture of the bar code, for one)."""
    if not isinstance(encoded, str):
        return None
    try:
        text = b64decode(re.sub(r"\s", "", encoded), validate=True).decode()
    except ValueError:
        return None
    return text if text.strip() and _READABLE.fullmatch(text) else None


def _identifier_alone(carrier: Any) -> str | None:
    identifier = carrier.get("deviceIdentifier")
    if not isinstance(identifier, str):
        return None
    issuer = str(carrier.get("issuer", "")).lower()
    agency = next((agency for part, agency in _ISSUED_BY.items() if part in issuer), None)
    text = as_printed(agency, identifier) if agency is not None else None
    return text or identifier
