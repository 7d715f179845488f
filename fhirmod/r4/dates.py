"""The dates, times and instants of R4: which texts are real ones, what time they cover, which comes first.

Source: http://hl7.org/fhir/R4/datatypes.html#dateTime (seconds 60 is a leap second; 24:00 is not allowed).
"""

import re
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import Any

_FORM = re.compile(r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d):(\d\d)(\.\d+)?(Z|[+-]\d\d:\d\d))?)?)?", re.ASCII)
_TIME = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d+)?", re.ASCII)
_LENGTH = (0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)

_FIRST = datetime.min.replace(tzinfo=UTC)
_LAST = datetime.max.replace(tzinfo=UTC)

Span = tuple[datetime, datetime]


def _real(text: str) -> re.Match[str] | None:
    found = _FORM.fullmatch(text)
    if found is None:
        return None
    year, month, day, hour, minute, second, _, zone = found.groups()
    if year == "0000":
        return None
    if month is not None and not 1 <= int(month) <= 12:
        return None
    if day is not None and not 1 <= int(day) <= _days(int(year), int(month)):
        return None
    if hour is not None and (int(hour) > 23 or int(minute) > 59 or int(second) > 60):
        return None
    if zone is not None and zone != "Z" and not (int(zone[4:]) <= 59 and zone[1:] <= "14:00"):
        return None
    return found


def _days(year: int, month: int) -> int:
    leap = month == 2 and year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    return 29 if leap else _LENGTH[month]


def is_date(text: str) -> bool:
    """Return whether a text is a year, a month or a day of the calendar."""
    return len(text) <= 10 and _real(text) is not None


def is_date_time(text: str) -> bool:
    """Return whether a text is a date, or a day with time to the second and an offset."""
    return _real(text) is not None


def is_instant(text: str) -> bool:
    """Return whether a text is a day with time to the second and an offset."""
    return len(text) > 10 and _real(text) is not None


def is_time(text: str) -> bool:
    """Return whether a text is a time of day to the second, without an offset."""
    return _TIME.fullmatch(text) is not None


def span(text: Any) -> Span | None:
    """Return the half-open range in UTC that a date or dateTime covers, or None if it is neither.

    Shape: a date without an offset is read in UTC; finer than a microsecond is cut; at the ends of the
           calendar the range is cut too.
    """
    found = _real(text) if isinstance(text, str) else None
    if found is None:
        return None
    year, month, day, hour, minute, second, fraction, zone = found.groups()
    low = datetime(int(year), int(month or 1), int(day or 1), tzinfo=UTC)
    try:
        if hour is None:
            return low, _next(low, year, month, day)
        micro = int((fraction or "")[1:7].ljust(6, "0"))
        width = timedelta(microseconds=10 ** (6 - min(6, len(fraction) - 1)) if fraction else 1_000_000)
        low += timedelta(hours=int(hour), minutes=int(minute), seconds=int(second), microseconds=micro)
        if zone != "Z":
            offset = timedelta(hours=int(zone[1:3]), minutes=int(zone[4:]))
            low = low - offset if zone[0] == "+" else low + offset
        return low, low + width
    except OverflowError:
        edge = _LAST if int(year) > 5000 else _FIRST
        return edge, edge


def _next(low: datetime, year: str, month: str | None, day: str | None) -> datetime:
    if day is not None:
        return low + timedelta(days=1)
    if month is not None:
        return low + timedelta(days=_days(int(year), int(month)))
    return low.replace(year=low.year + 1) if low.year < 9999 else _LAST


def precision(text: str) -> int:
    """Return how fine a date is: 4 year, 7 month, 10 day, 11 with time."""
    return min(len(text), 11)


def surely_after(start: str, end: str) -> bool:
    """Return whether `start` is after `end` however the coarser of the two is read.

    Shape: 2026-03-02 is surely after 2026-03-01T23:00:00Z only in no offset; a date without an offset may
           be a day anywhere on earth, so a dateTime is compared with it in its own offset.
    """
    if start <= end and len(start) == len(end) and start[19:] == end[19:]:
        return False  # of one form and offset, so texts order as the moments do
    first, last = _real(start), _real(end)
    if first is None or last is None:
        return False
    if len(start) > 10 and len(end) > 10:
        return _exact(first) > _exact(last)
    # One has no offset: compare what is written, to the coarser precision.
    length = min(len(start), len(end), 10)
    return start[:length] > end[:length]


def _exact(found: re.Match[str]) -> tuple[datetime, str]:
    year, month, day, hour, minute, second, fraction, zone = found.groups()
    moment = datetime(int(year), int(month), int(day), tzinfo=UTC)
    minutes = 0 if zone == "Z" else int(zone[:3]) * 60 + int(zone[0] + zone[4:])
    with suppress(OverflowError):  # the last hours of the calendar
        moment += timedelta(hours=int(hour), minutes=int(minute) - minutes, seconds=int(second))
    return moment, (fraction or ".").rstrip("0")
