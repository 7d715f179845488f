"""The envelope every entry shares: who, when, in answer to what; the kinds add what was seen or done."""

from datetime import datetime, timedelta
from decimal import Decimal
from functools import cached_property
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, model_validator

from .absent import Absent, or_absent
from .moment import Moment, whole_day
from .quantity import quantity
from .text import EntryId, Label, Text


class Part(BaseModel):
    """A group of fields inside an entry."""

    # defer_build: a command that reads two kinds of entry does not pay for forty
    model_config = ConfigDict(frozen=True, extra="forbid", revalidate_instances="never", defer_build=True)


class Person(Part):
    """Who: an id of the site's own, and the role in the room."""

    id: Label
    role: Label | None = None


class Facility(Part):
    """Where: the site's identifier and, for readers, its name."""

    id: Label
    name: Label | None = None


class AtRange(Part):
    """How far the stated time may be off: plus or minus minutes, or the earliest and latest instant."""

    plus_minus_min: Annotated[Decimal, quantity("min", high=1_000_000)] | None = None
    earliest: Moment | None = None
    latest: Moment | None = None

    @model_validator(mode="after")
    def _one_form(self) -> "AtRange":
        ends = (self.earliest, self.latest)
        if (self.plus_minus_min is None) == (ends == (None, None)):
            raise ValueError("give either plus_minus_min, or earliest and latest")
        if self.plus_minus_min is None:
            if not (self.earliest and self.latest and self.earliest.instant and self.latest.instant):
                raise ValueError("earliest and latest must both be instants with offset")
            if self.earliest.instant > self.latest.instant:
                raise ValueError("earliest must not be after latest")
        return self


class Entry(Part):
    """One thing recorded about the episode; entries are never changed, only corrected or retracted.

    Shape: `at` when it happened (instant, date, or `Absent`); `recorded_at` when it was written down;
           `corrects` names the entry this one replaces, with `reason`.
    """

    kind: str
    id: EntryId
    at: Annotated[Moment | Absent, or_absent]
    recorded_at: Moment
    at_source: Literal["device-clock", "typed", "recalled"] | None = None
    at_range: AtRange | None = None
    clock_skew_s: Annotated[Decimal, quantity("s", low=-31_622_400, high=31_622_400)] | None = None
    performed_by: Person | None = None
    recorded_by: Person | None = None
    witnessed_by: Person | None = None
    order: Label | None = None
    comment: Text | None = None
    corrects: EntryId | None = None
    reason: Text | None = None

    REASON_NEEDED: ClassVar[bool] = False

    @model_validator(mode="after")
    def _whole(self) -> "Entry":
        if self.recorded_at.instant is None:
            raise ValueError("recorded_at must be an instant with offset")
        if (self.corrects is not None or self.REASON_NEEDED) and self.reason is None:
            raise ValueError("a correction or retraction needs a reason")
        if self.corrects == self.id:
            raise ValueError("an entry cannot correct itself")
        return self

    @cached_property
    def span(self) -> tuple[datetime, datetime] | None:
        """Return the earliest and latest instant this can have happened, or None if the time is not known.

        A device clock's known skew is added (seconds to add to the device's time); typed times are not moved.
        A bare date covers its whole day in the offset of `recorded_at`.
        """
        if isinstance(self.at, Absent):
            return None
        if self.at.instant is None:
            return whole_day(self.at.day, _instant(self.recorded_at))
        instant = self.at.instant
        if self.at_source == "device-clock" and self.clock_skew_s is not None:
            instant += timedelta(seconds=float(self.clock_skew_s))
        if self.at_range is None:
            return instant, instant
        if self.at_range.earliest and self.at_range.latest:
            return _instant(self.at_range.earliest), _instant(self.at_range.latest)
        margin = timedelta(minutes=float(self.at_range.plus_minus_min or 0))
        return instant - margin, instant + margin

    @cached_property
    def instant(self) -> datetime | None:
        """Return the instant to compare by: the stated one (skew applied), else None (date only, not known)."""
        if isinstance(self.at, Absent) or self.at.instant is None:
            return None
        if self.at_source == "device-clock" and self.clock_skew_s is not None:
            return self.at.instant + timedelta(seconds=float(self.clock_skew_s))
        return self.at.instant

    def document(self) -> dict[str, Any]:
        """Return the entry as plain JSON values: what was sent, nothing more; Decimals keep their digits."""
        return self.model_dump(exclude_none=True, exclude_defaults=False)


_E = TypeVar("_E", bound=Entry)


def says_something(entry: _E) -> _E:
    """Return the entry if at least one of its kind's own fields was given.

    Errors: ValueError if it is an empty set, which would say that nothing was looked at.
    """
    own = set(type(entry).model_fields) - set(Entry.model_fields)
    if not any(is_said(getattr(entry, name)) for name in own):
        raise ValueError("none of its values was given; give at least one, or the reason it is absent")
    return entry


def is_said(value: Any) -> bool:
    """Return whether a field's value says something; nothing, false and an empty list are silence, zero is not."""
    return value is not None and value is not False and (type(value) is not tuple or bool(value))


def _instant(moment: Moment) -> datetime:
    if moment.instant is None:
        raise ValueError("a date is not an instant")
    return moment.instant
