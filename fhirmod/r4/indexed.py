"""The forms of what a store indexes, one per search parameter type.

A value here is what was recorded, not yet what a query means by it: precision and comparators become
ranges, so that a query compares range with range.
Source: http://hl7.org/fhir/R4/search.html
"""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal


@dataclass(frozen=True, slots=True)
class TokenValue:
    """A code or identifier; `types` are an Identifier's type codings (for `:of-type`)."""

    system: str | None
    code: str | None
    text: str | None = None
    types: tuple[tuple[str | None, str | None], ...] = ()


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A reference as recorded; `type` from its text or its own type; a logical one has an identifier."""

    reference: str | None
    type: str
    identifier: TokenValue | None = None


@dataclass(frozen=True, slots=True)
class StringValue:
    """A text as recorded (folding of case and accents is the query's business)."""

    text: str


@dataclass(frozen=True, slots=True)
class DateValue:
    """The half-open range [low, high) in UTC that the recorded date covers; None is unbounded."""

    low: datetime | None
    high: datetime | None


@dataclass(frozen=True, slots=True)
class QuantityValue:
    """The closed range the recorded quantity covers; a comparator or a half range leaves one end None."""

    low: Decimal | None
    high: Decimal | None
    system: str | None
    code: str | None
    unit: str | None = None


@dataclass(frozen=True, slots=True)
class NumberValue:
    """The closed range the recorded number covers."""

    low: Decimal | None
    high: Decimal | None


@dataclass(frozen=True, slots=True)
class UriValue:
    """A uri as recorded."""

    uri: str


@dataclass(frozen=True, slots=True)
class CompositeValue:
    """The values of each component that stand together in one element."""

    parts: tuple[tuple["SearchValue", ...], ...]


SearchValue = (
    TokenValue | ReferenceValue | StringValue | DateValue | QuantityValue | NumberValue | UriValue | CompositeValue
)
