"""A point in time as it was sent: an instant with its offset, or a calendar date; the text is kept.

`PartialDate` is a date as a label states it: a year, a year and month, a day, or an instant. A day that is not
stated is not made up.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, StringConstraints
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

_DAY = (
    r"((19|2[0-9])[0-9]{2}-((0[13578]|1[02])-(0[1-9]|[12][0-9]|3[01])|(0[469]|11)-(0[1-9]|[12][0-9]|30)"
    r"|02-(0[1-9]|1[0-9]|2[0-8]))|((19|2[0-9])(0[48]|[2468][048]|[13579][26])|2[048]00)-02-29)"
)
_CLOCK = (
    r"T([01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](\.[0-9]{1,9})?"
    r"(Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)"
)
_INSTANT = re.compile(_DAY + _CLOCK)
_DATE = re.compile(_DAY)
_WANTED = "2026-03-01T02:10:00+01:00 (with seconds and offset) or 2026-03-01"


@dataclass(frozen=True, slots=True)
class Moment:
    """A received time: `text` as sent, `instant` to compare by (None when only the date is known).

    Errors: ValueError if the text is neither an instant with offset nor a real calendar date of 1900 to 2999
            (sums of times outside it would not fit a clock).
    Source: HL7 FHIR R4 datatypes, dateTime (leap second 60 is left out: no clock at a bedside shows it).

    >>> Moment("2026-03-29T03:30:00+01:00").instant == Moment("2026-03-29T02:30:00Z").instant
    True
    >>> Moment("2026-02-30")
    Traceback (most recent call last):
    ...
    ValueError: the time must look like 2026-03-01T02:10:00+01:00 (with seconds and offset) or 2026-03-01
    """

    text: str
    instant: datetime | None = field(init=False, compare=False)
    day: date = field(init=False, compare=False)

    def __post_init__(self) -> None:
        if _INSTANT.fullmatch(self.text):
            instant = datetime.fromisoformat(_microseconds(self.text))
            object.__setattr__(self, "instant", instant)
            object.__setattr__(self, "day", instant.date())
        elif _DATE.fullmatch(self.text):
            object.__setattr__(self, "instant", None)
            object.__setattr__(self, "day", date.fromisoformat(self.text))
        else:
            raise ValueError(f"the time must look like {_WANTED}")

    def __str__(self) -> str:
        return self.text

    @classmethod
    def of(cls, instant: datetime) -> "Moment":
        """Return the moment of an aware datetime, to the millisecond, in its own offset."""
        text = instant.isoformat(timespec="milliseconds" if instant.microsecond else "seconds")
        return cls(text.replace("+00:00", "Z"))

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            _read,
            serialization=core_schema.plain_serializer_function_ser_schema(str, return_schema=core_schema.str_schema()),
            json_schema_input_schema=core_schema.str_schema(),
        )

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {"type": "string", "pattern": f"^{_DAY}({_CLOCK})?$"}


def whole_day(day: date, like: datetime) -> tuple[datetime, datetime]:
    """Return the first and last instant of a calendar day in the offset of another instant."""
    zone = like.tzinfo or UTC
    start = datetime(day.year, day.month, day.day, tzinfo=zone)
    return start, start + timedelta(days=1) - timedelta(microseconds=1)


INSTANT_PATTERN = f"^{_DAY}{_CLOCK}$"
PARTIAL_DATE_PATTERN = f"^((19|2[0-9])[0-9]{{2}}(-(0[1-9]|1[0-2]))?|{_DAY}({_CLOCK})?)$"
PartialDate = Annotated[str, StringConstraints(pattern=PARTIAL_DATE_PATTERN)]


def _microseconds(text: str) -> str:
    """Return the text with at most six digits of fraction, which is what datetime can compare."""
    return re.sub(r"(\.\d{6})\d+", r"\1", text)


@lru_cache(maxsize=8192)
def _moment(text: str) -> Moment:
    return Moment(text)


def _read(value: Any) -> Moment:
    if isinstance(value, Moment):
        return value
    if not isinstance(value, str):
        raise PydanticCustomError("moment", "the time must be text such as {wanted}", {"wanted": _WANTED})
    try:
        return _moment(value)
    except ValueError:
        raise PydanticCustomError(
            "moment",
            "it must look like {wanted}",
            {"wanted": _WANTED},
        ) from None
