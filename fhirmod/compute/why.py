"""The words that stand where a value cannot: a value is there, or one of these says why not."""

from decimal import ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from fhirmod.episode import Absent


class Why(StrEnum):
    """Why there is no value. Not recorded is not "no", and absent is not zero."""

    NOT_RECORDED = "not-recorded"
    NOT_KNOWN = "not-known"
    NOT_DONE = "not-done"
    COULD_NOT_MEASURE = "could-not-measure"
    NOT_APPLICABLE = "not-applicable"
    NOT_ASSESSABLE = "not-assessable"
    NOT_RELIABLE = "not-reliable"
    NOT_YET = "not-yet"
    DID_NOT_HOLD = "did-not-hold"
    ORDER_NOT_DETERMINED = "order-not-determined"
    NO_VERDICT = "no-verdict"
    INCOMPLETE = "incomplete"


def why(value: Absent | None) -> Why:
    """Return the word for a recorded absence, or not-recorded for nothing."""
    return Why.NOT_RECORDED if value is None else Why(value.absent)


def number(value: Decimal | Absent | None) -> Decimal | None:
    """Return the number, or None if the value is absent or was not recorded.

    Units:  none.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    return value if isinstance(value, Decimal) else None


def rounded(value: Decimal, places: int) -> Decimal:
    """Return the value at so many decimals, half to even; only for showing, never before a comparison."""
    return value.quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN)
