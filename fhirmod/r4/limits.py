"""The limits a profile sets on one value: the least and the most, and the length of a text.

Source: http://hl7.org/fhir/R4/elementdefinition-definitions.html#ElementDefinition.minValue_x_
"""

from decimal import Decimal
from typing import Any

from .dates import surely_after
from .invariants.logic import quantity_order
from .profiles import Element


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
        return quantity_order(other, one) is False
    if isinstance(one, str) and isinstance(other, str):
        return surely_after(other, one)
    if isinstance(one, int | float | Decimal) and isinstance(other, int | float | Decimal):
        return Decimal(str(one)) < Decimal(str(other))
    return False


def _shown(limit: Any) -> str:
    return str(limit.get("value", "what the profile says")) if isinstance(limit, dict) else str(limit)
