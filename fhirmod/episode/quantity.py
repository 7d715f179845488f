"""A measured number with its unit: exact digits, hard limits that refuse only the impossible."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Any, get_args

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from .absent import Absent

Amount = Decimal | Absent
_MOST_DIGITS = 18


@dataclass(frozen=True, slots=True)
class _Quantity:
    """The annotation behind `quantity`: reads a JSON number or an `Absent`, and nothing else."""

    unit: str
    low: Decimal | None
    high: Decimal | None
    whole: bool

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        number = core_schema.no_info_plain_validator_function(self._read)
        if Absent not in get_args(source):
            return number
        absent = handler.generate_schema(Absent)
        return core_schema.tagged_union_schema({"value": number, "absent": absent}, discriminator=_branch)

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        number: dict[str, Any] = {"type": "integer" if self.whole else "number", "unit": self.unit}
        if self.low is not None:
            number["minimum"] = int(self.low)
        if self.high is not None:
            number["maximum"] = int(self.high)
        if schema["type"] != "tagged-union":
            return number
        absent = handler(schema["choices"]["absent"])
        return {"oneOf": [number, absent]}

    def _read(self, value: Any) -> Decimal:
        if isinstance(value, bool) or not isinstance(value, int | Decimal):
            raise PydanticCustomError("quantity", "it must be a JSON number in {unit}", {"unit": self.unit})
        number = Decimal(value)
        if (
            not number.is_finite()
            or len(number.as_tuple().digits) > _MOST_DIGITS
            or abs(number.adjusted()) > _MOST_DIGITS
        ):
            raise PydanticCustomError(
                "quantity", "it must be a number of at most 18 digits in {unit}", {"unit": self.unit}
            )
        if self.whole and number != number.to_integral_value():
            raise PydanticCustomError("quantity", "it must be a whole number in {unit}", {"unit": self.unit})
        if self.low is not None and number < self.low:
            raise PydanticCustomError(
                "quantity", "it cannot be below {low} {unit}", {"low": str(self.low), "unit": self.unit}
            )
        if self.high is not None and number > self.high:
            raise PydanticCustomError(
                "quantity", "it cannot be above {high} {unit}", {"high": str(self.high), "unit": self.unit}
            )
        return number


def quantity(unit: str, low: int | None = 0, high: int | None = None, *, whole: bool = False) -> _Quantity:
    """Return the annotation of a number in a UCUM unit; limits are for the impossible only.

    Use as ``volume_ml: Annotated[Amount, quantity("mL")] | None = None``.
    """
    return _Quantity(unit, None if low is None else Decimal(low), None if high is None else Decimal(high), whole)


def _branch(value: Any) -> str:
    return "absent" if isinstance(value, dict | Absent) else "value"


def unit_of(annotation: Any) -> str | None:
    """Return the UCUM unit that a field's annotation states, or None if it is not a quantity."""
    return annotation.unit if isinstance(annotation, _Quantity) else None
