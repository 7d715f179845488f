"""The limits a profile sets on one value: the least and the most, and the length of a text.

Source: http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.minValue_x_
"""

from decimal import Decimal
from fractions import Fraction
from typing import Any

from .dates import is_time, surely_after
from .invariants.logic import UCUM, number, quantity_order
from .profiles import Element
from .ucum import scale

Json = dict[str, Any]


def outside_limits(element: Element, node: Any) -> str | None:
    """Return what would be right where a value is outside its element's limits, or None."""
    if node is None:
        return None
    if element.low is not None and _before(node, element.low):
        return f"at least {_shown(element.low)}"
    if element.high is not None and _before(element.high, node):
        return f"at most {_shown(element.high)}"
    if element.max_length is not None and isinstance(node, str) and len(node) > element.max_length:
        return f"at most {element.max_length} characters"
    return None


def _before(one: Any, other: Any) -> bool:
    """Return whether one value is surely below another; what cannot be compared is not."""
    if isinstance(one, dict) and isinstance(other, dict):
        return quantity_order(other, one) is False or _less(one, other)
    if isinstance(one, str) and isinstance(other, str):
        if is_time(one) and is_time(other):
            return one.rstrip("0") < other.rstrip("0") if "." in one and "." in other else one < other
        return surely_after(other, one)
    if isinstance(one, int | float | Decimal) and isinstance(other, int | float | Decimal):
        return Decimal(str(one)) < Decimal(str(other))
    return False


def _less(one: Json, other: Json) -> bool:
    """Return whether a quantity is below one in another unit of the same kind (100 mg and 10 g)."""
    first, last = number(one.get("value")), number(other.get("value"))
    if first is None or last is None or not one.get("system") == other.get("system") == UCUM:
        return False
    (by, bare), (to, same) = (scale(str(each.get("code"))) or (Fraction(1), ()) for each in (one, other))
    return bool(bare) and bare == same and Fraction(first) * by < Fraction(last) * to


def _shown(limit: Any) -> str:
    return str(limit.get("value", "what the profile says")) if isinstance(limit, dict) else str(limit)
