"""Dates as labels carry them: two- and three-digit years, days of the year, days left open."""

from calendar import isleap
from datetime import date, timedelta


def whole_year(digits: str, year: int) -> int:
    """Return the year that a shortened one means, nearest to the given year.

    >>> [whole_year(digits, 2026) for digits in ("26", "76", "77", "014", "2031")]
    [2026, 2076, 1977, 2014, 2031]

    Shape: two digits fall within 49 years before and 50 after; three (ISBT 128 drops the century's first digit)
           within 499 before and 500 after; four are whole.
    Source: GS1 General Specifications, section 7.12 (two digits); the same rule for HIBC and ISBT 128 is practice.
    """
    size: int = 10 ** len(digits)
    if size == 10_000:
        return int(digits)
    low = year - size // 2 + 1
    return low + (int(digits) - low) % size


def read_date(digits: str, form: str, year: int) -> str | None:
    """Return a date as FHIR writes it, or None if there is no such date.

    >>> [read_date("261231", "YYMMDD", 2026), read_date("260200", "YYMMDD", 2026), read_date("014032", "YYYJJJ", 2026)]
    ['2026-12-31', '2026-02', '2014-02-01']

    Shape: `form` names each digit: Y year, M month, D day, J day of the year, H hour (left out of the result).
           Day 00, and a form without a day, give year and month: a day that is not stated is not made up.
    """
    if len(digits) != len(form) or not (digits.isascii() and digits.isdigit()):
        return None
    part = {letter: "".join(d for d, f in zip(digits, form, strict=True) if f == letter) for letter in "YMDJH"}
    full = whole_year(part["Y"], year)
    if not 1900 <= full <= 2999 or int(part["H"] or 0) > 23:
        return None
    if part["J"]:
        day_of_year = int(part["J"])
        if not 1 <= day_of_year <= (366 if isleap(full) else 365):
            return None
        return (date(full, 1, 1) + timedelta(days=day_of_year - 1)).isoformat()
    if not 1 <= int(part["M"]) <= 12:
        return None
    if part["D"] in ("", "00"):
        return f"{full:04}-{part['M']}"
    try:
        return date(full, int(part["M"]), int(part["D"])).isoformat()
    except ValueError:
        return None
