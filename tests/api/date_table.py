"""The table of dates: every precision and offset under all nine prefixes, and what R4's words make of each.

An oracle of its own: it knows intervals and the calendar's arithmetic, nothing of our code and nothing of `datetime`, and
so no zone of the machine. Run as a program it fills a store and prints what a search for each row finds there.

Source: http://hl7.org/fhir/R4/search.html#prefix (the verdict of each prefix, in ranges), #date (the range of each type;
an instant has no width; an end that is not stated is beyond every date; of a Timing only the outer limits count). A date
without an offset is read in UTC, as this service says. `ap`: ten percent of the gap between now and the date.
"""

import json
import re
import sys
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any, NamedTuple
from urllib.parse import quote

NOW = "2026-03-02T00:00:00Z"  # the clock of the service that is asked
FOREVER = Fraction(10**15)


class Span(NamedTuple):
    """Seconds since 1970 in UTC, the high end not within; where the ends are one, that point is within."""

    low: Fraction
    high: Fraction


_DATE = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d)(?:T(\d\d):(\d\d)(?::(\d\d)(\.\d+)?)?(Z|[+-]\d\d:\d\d)?)?)?)?", re.ASCII
)


def _day(year: int, month: int, day: int) -> int:
    """Return the days since 1970-01-01: Fliegel and van Flandern's Julian day number (Comm. ACM 11, 1968, p. 657)."""
    shift = -((14 - month) // 12)
    julian = (
        day
        - 32075
        + 1461 * (year + 4800 + shift) // 4
        + 367 * (month - 2 - shift * 12) // 12
        - 3 * ((year + 4900 + shift) // 100) // 4
    )
    return julian - 2440588


def span(text: str, *, instant: bool = False) -> Span:
    """Return the range that a date covers by its precision."""
    found = _DATE.fullmatch(text)
    assert found is not None, text
    year, month, day, hour, minute, second, fraction, zone = found.groups()
    if hour is None:
        low = _day(int(year), int(month or 1), int(day or 1))
        last = (int(year) + (month in (None, "12")), int(month) % 12 + 1 if month else 1)
        high = low + 1 if day else _day(*last, 1)
        return Span(Fraction(low * 86400), Fraction(high * 86400))
    at = Fraction(_day(int(year), int(month), int(day)) * 86400 + int(hour) * 3600 + int(minute) * 60)
    at += int(second or 0) + Fraction(f"0{fraction or '.0'}")
    if zone not in (None, "Z"):
        ahead = int(zone[1:3]) * 3600 + int(zone[4:]) * 60
        at += ahead if zone[0] == "-" else -ahead
    if instant:
        return Span(at, at)
    width = Fraction(60) if second is None else Fraction(1, 10 ** (len(fraction) - 1)) if fraction else Fraction(1)
    return Span(at, at + width)


def _overlap(one: Span, other: Span) -> bool:
    if one.low == one.high:
        return other.low <= one.low < other.high
    return other.low < one.high and one.low < other.high


def _within(value: Span, target: Span) -> bool:
    """Return whether the search value's range fully contains the target's."""
    point = target.low == target.high
    return value.low <= target.low and (target.high < value.high if point else target.high <= value.high)


def _above(value: Span) -> Span:
    return Span(value.high, FOREVER * 2)


def _below(value: Span) -> Span:
    return Span(-FOREVER * 2, value.low)


def _near(value: Span, target: Span) -> bool:
    """Return whether they are approximately one; every way to measure the gap must say the same of the table's dates."""
    said = set()
    for now in (span(NOW).low, span(NOW).low + 3600):
        for date in value:
            gap = abs(now - date) / 10
            said.add(_overlap(target, Span(value.low - gap, value.high + gap)))
    assert len(said) == 1, (value, target)
    return said.pop()


VERDICTS: Mapping[str, Callable[[Span, Span], bool]] = {
    "": _within,
    "eq": _within,
    "ne": lambda value, target: not _within(value, target),
    "gt": lambda value, target: _overlap(target, _above(value)),
    "lt": lambda value, target: _overlap(target, _below(value)),
    "ge": lambda value, target: _overlap(target, _above(value)) or _within(value, target),
    "le": lambda value, target: _overlap(target, _below(value)) or _within(value, target),
    "sa": lambda value, target: not _overlap(target, value) and _within(_above(value), target),
    "eb": lambda value, target: not _overlap(target, value) and _within(_below(value), target),
    "ap": _near,
}

VALUES = (
    *("2013", "2012", "2013-01", "2012-02", "2013-02", "2012-12", "2013-12"),  # 29 and 28 days, ends of years
    *("2013-01-14", "2012-02-29", "2012-12-31", "2013-01-01"),
    *("2026-03-08", "2026-03-29", "2026-10-25", "2026-11-01"),  # clocks are changed: 23 and 25 hours, somewhere
    *("2013-01-14T10:00Z", "2013-01-14T10:00", "2013-01-14T15:45+05:45", "2013-01-14T06:30-03:30"),
    *("2013-01-14T10:00:00Z", "2013-01-14T10:00:00", "2013-01-14T15:45:00+05:45", "2013-01-14T06:30:00-03:30"),
    *("2013-01-14T00:00:00+05:45", "2013-01-14T23:59:59-03:30", "2013-01-15T00:00:00Z"),
    *("2013-01-14T10:00:00.5Z", "2013-01-14T10:00:00.500+00:00", "2013-01-14T11:00:00.25+01:00"),
    *("2026-03-29T02:30:00+01:00", "2026-10-25T02:30:00+02:00", "2026-10-25T02:30:00+01:00"),
    *("2026-03-08T02:30:00-03:30", "2026-11-01T00:30:00-02:30"),
)
ROWS = tuple(f"{prefix}{value}" for value in VALUES for prefix in VERDICTS)

_TIMES = (
    *("2012", "2013", "2014", "2012-02", "2013-01", "2013-02", "2012-02-29", "2012-12-31", "2013-01-01"),
    *("2013-01-13", "2013-01-14", "2013-01-15", "2013-01-14T00:00:00Z", "2013-01-14T09:59:59Z"),
    *("2013-01-14T10:00:00Z", "2013-01-14T10:00:01Z", "2013-01-14T10:00:59Z", "2013-01-14T10:01:00Z"),
    *("2013-01-14T10:00:00.5Z", "2013-01-14T10:00:00.50Z", "2013-01-14T10:00:00.25Z", "2013-01-14T23:59:59Z"),
    *("2013-01-14T10:00:00+05:45", "2013-01-14T10:00:00-03:30", "2013-01-14T15:45:00+05:45"),
    *("2013-01-15T00:00:00Z", "2013-01-15T00:30:00+01:00", "2013-01-13T22:00:00-03:30"),
    *("2012-12-31T12:00:00-12:00", "2013-01-01T13:59:59+14:00", "2012-03-01T00:00:00+00:30"),
    *("2026-03-29T01:30:00Z", "2026-03-29T03:30:00+02:00", "2026-03-28", "2026-03-29", "2026-03-08T06:00:00Z"),
    *("2026-10-25T00:30:00Z", "2026-10-25T01:30:00Z", "2026-10-25", "2026-11-01T03:00:00Z", "2026-11-01"),
)
_INSTANTS = ("2013-01-14T10:00:00Z", "2013-01-14T10:00:00.500Z", "2013-01-15T00:00:00Z", "2013-01-14T00:00:00+05:45")
_PERIODS = (
    ("2013-01-14T09:00:00Z", "2013-01-14T11:00:00Z"),
    ("2013-01-14", "2013-01-14"),
    ("2012-12-31T23:00:00Z", "2013-01-01T01:00:00Z"),
    ("2013-01-14T10:00:00Z", "2013-01-14T10:00:00Z"),
    ("2012", "2013"),
    ("2013-01-14T10:00:00Z", None),
    (None, "2013-01-14T10:00:00Z"),
    ("2013-01-15", None),
    (None, "2013-01-13"),
    ("2026-03-29T01:00:00+01:00", "2026-03-29T04:00:00+02:00"),
)
_TIMINGS: tuple[tuple[tuple[str, ...], tuple[str | None, str | None] | None], ...] = (
    (("2013-01-14T08:00:00Z",), None),
    (("2013-01-13", "2013-01-15T10:00:00Z", "2013-01-14"), None),
    ((), ("2013-01-13", "2013-01-15")),
    ((), ("2013-01-14T10:00:00+05:45", None)),
    (("2013-01-14T10:00:00Z",), ("2013-01-14T09:00:00Z", "2013-01-14T09:30:00Z")),
)


def _period(start: str | None, end: str | None) -> tuple[dict[str, str], Span]:
    said = {name: text for name, text in (("start", start), ("end", end)) if text is not None}
    return said, Span(span(start).low if start else -FOREVER, span(end).high if end else FOREVER)


def targets() -> dict[str, tuple[dict[str, Any], Span]]:
    """Return what is searched, by id: the elements that date an Observation, and the range they cover."""
    found: dict[str, tuple[dict[str, Any], Span]] = {}
    for number, text in enumerate(_TIMES):
        found[f"t{number}"] = ({"effectiveDateTime": text}, span(text))
    for number, text in enumerate(_INSTANTS):
        found[f"i{number}"] = ({"effectiveInstant": text}, span(text, instant=True))
    for number, ends in enumerate(_PERIODS):
        said, covered = _period(*ends)
        found[f"p{number}"] = ({"effectivePeriod": said}, covered)
    for number, (events, bounds) in enumerate(_TIMINGS):
        timing: dict[str, Any] = {"event": list(events)} if events else {}
        spans = [span(event) for event in events]
        if bounds is not None:
            said, covered = _period(*bounds)
            timing["repeat"] = {"boundsPeriod": said}
            spans.append(covered)
        outer = Span(min(one.low for one in spans), max(one.high for one in spans))
        found[f"s{number}"] = ({"effectiveTiming": timing}, outer)
    return found


def expected() -> dict[str, list[str]]:
    """Return the ids that a search by `date` must find, for each row."""
    there = targets()
    table: dict[str, list[str]] = {}
    for row in ROWS:
        prefix, value = (row[:2], row[2:]) if row[:2] in VERDICTS else ("", row)
        verdict, asked = VERDICTS[prefix], span(value)
        table[row] = sorted(id_ for id_, (_, covered) in there.items() if verdict(asked, covered))
    return table


def asked(client: Any) -> dict[str, list[str]]:
    """Return what a search for each row finds; an offset's + goes both as %2B and as it is, which arrives as a blank."""
    answers: dict[str, list[str]] = {}
    for row in ROWS:
        answer = client.get(f"/fhir/Observation?date={quote(row, safe='')}&_count=200").json()
        answers[row] = sorted(one["resource"]["id"] for one in answer.get("entry", ()))
        if "+" in row:
            plain = client.get(f"/fhir/Observation?date={row}&_count=200").json()
            assert sorted(one["resource"]["id"] for one in plain.get("entry", ())) == answers[row], row
    return answers


def fill(client: Any) -> None:
    """Return nothing; the targets stand in the record."""
    entries = [
        {
            "request": {"method": "PUT", "url": f"Observation/{id_}"},
            "resource": {"resourceType": "Observation", "id": id_, "status": "final", "code": {"text": "x"}, **dated},
        }
        for id_, (dated, _) in targets().items()
    ]
    answer = client.post("/fhir", json={"resourceType": "Bundle", "type": "transaction", "entry": entries})
    assert answer.status_code == 200, answer.text


def _main(url: str) -> None:
    from starlette.testclient import TestClient

    from api import Settings, create_app
    from api.clock import Clock
    from fhirmod.episode import Protocol
    from fhirmod.intake import Intake
    from fhirmod.store import open_store

    ids = iter(range(10**6))
    clock = Clock(lambda: datetime(2026, 3, 2, tzinfo=UTC), lambda: f"00000000-0000-4000-8000-{next(ids):012}")
    with open_store(url) as store:
        app = create_app(Settings(db=url.removeprefix("sqlite:///")), Intake(store, Protocol.default()), clock)
        with TestClient(app) as client:
            fill(client)
            found = asked(client)
    summer, winter = (time.localtime(one).tm_gmtoff for one in (1_782_864_000, 1_767_225_600))  # July, January 2026
    json.dump({"offsets": [summer, winter], "found": found}, sys.stdout)


if __name__ == "__main__":
    _main(sys.argv[1])
