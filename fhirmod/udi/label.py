"""What was read from a device's identifier, and what is doubtful about it."""

from dataclasses import dataclass
from typing import Literal

Agency = Literal["gs1", "hibcc", "iccbba", "iccbba-blood"]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to rely on a text: a stable code, and words that follow "The UDI ..."."""

    code: str
    says: str


@dataclass(frozen=True, slots=True)
class Udi:
    """The parts of a unique device identifier; what the text does not say, or not reliably, is None.

    Shape: `identifier` as the agency keeps it in databases (no flag or check character of a barcode); dates are
           FHIR texts, YYYY-MM where the day is not stated; `donation` the donation number of a human product;
           `printed` is how a label prints the text (no control characters).
    """

    printed: str
    agency: Agency | None = None
    identifier: str | None = None
    lot: str | None = None
    serial: str | None = None
    expires: str | None = None
    manufactured: str | None = None
    donation: str | None = None
    doubts: tuple[Doubt, ...] = ()


NO_IDENTIFIER = Doubt(
    "no-identifier",
    "states lot, serial number or dates but no device identifier; the part with the identifier is missing",
)


def bad_date(name: str, digits: str) -> Doubt:
    """Return the doubt about a date that no calendar has."""
    return Doubt("date", f"states the {name} date {digits}, which is no date; the label may be misread")
