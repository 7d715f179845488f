"""Numbers in the units of the record, by UCUM; its library is loaded when a foreign unit is first met."""

import re
from decimal import ROUND_HALF_EVEN, Decimal
from functools import cache, lru_cache
from typing import Any

_PLACES = Decimal("0.0001")
_EXACT = 6
_ANNOTATION = re.compile(r"\{[^}]*\}")
_ONE = frozenset({"", "1"})


def converted(value: Decimal, unit: str, to: str) -> Decimal | None:
    """Return a number in another unit, or None if the units do not measure the same.

    Shape: exact where the factor is a short decimal (mL for L), else rounded to four places (mm[Hg] for kPa).
    Source: The Unified Code for Units of Measure; what stands in {} is an annotation and changes nothing.

    >>> converted(Decimal("1.2"), "L", "mL"), converted(Decimal(89), "g/L", "g/dL"), converted(Decimal(1), "g", "mL")
    (Decimal('1200'), Decimal('8.9'), None)
    """
    here, there = _bare(unit), _bare(to)
    if unit == to or (here == there and here not in _ONE):
        return value
    if here in _ONE or there in _ONE:
        return value if unit in _ONE and there in _ONE else None  # {score} is not {count}
    if not comparable(unit, to):
        return None
    source, target = (_registry().from_ucum(one).units for one in (here, there))

    def in_target(number: Decimal) -> Decimal:
        return Decimal(str(_registry().Quantity(number, source).to(target).magnitude))

    factor = in_target(Decimal(1)).normalize()
    if in_target(Decimal(0)) == 0 and len(factor.as_tuple().digits) <= _EXACT:
        return _short(value * factor)
    return _short(in_target(value).quantize(_PLACES, ROUND_HALF_EVEN))


@lru_cache(maxsize=512)
def comparable(unit: str, to: str) -> bool:
    """Return whether two units measure the same thing; a text that is no unit of UCUM measures nothing."""
    here, there = _bare(unit), _bare(to)
    if here == there or (here in _ONE and there in _ONE):
        return True
    if here in _ONE or there in _ONE:
        return False
    try:
        return bool(_registry().from_ucum(here).is_compatible_with(_registry().from_ucum(there)))
    except Exception:  # noqa: BLE001  the library raises errors of its own and of its parser
        return False


@lru_cache(maxsize=512)
def is_unit(unit: str) -> bool:
    """Return whether a text is a unit of UCUM."""
    bare = _bare(unit)
    if bare in _ONE:
        return unit != ""
    try:
        return hasattr(_registry().from_ucum(bare), "magnitude")
    except Exception:  # noqa: BLE001  as above
        return False


def _bare(unit: str) -> str:
    """Return a unit without its annotations, which change nothing."""
    return _ANNOTATION.sub("", unit)


@cache
def _registry() -> Any:
    from ucumvert import PintUcumRegistry  # noqa: PLC0415  slow to load, wanted only for foreign units

    return PintUcumRegistry(non_int_type=Decimal)


def _short(value: Decimal) -> Decimal:
    """Return the number without the zeros that a conversion adds."""
    short = value.normalize()
    exponent = short.as_tuple().exponent
    return short.quantize(Decimal(1)) if isinstance(exponent, int) and exponent > 0 else short
