"""What a search asks of values that are ranges: times, numbers and quantities.

A range of more than a day (a number that is a range at all) is marked in the index; of every other its beginning says
within that where it ends, so what is asked of its end is also asked of its beginning, which the index narrows.
"""

import re
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation

from fhirmod.errors import BadParameterError
from fhirmod.r4 import span, unescaped
from fhirmod.store import Clause, Part, microseconds

from .indexing import DAY, END, LONG, brief

NO_TEXT: Part = ("text", "=", "")
_PREFIX = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.*)", re.DOTALL)
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?", re.ASCII)
_MINUTE = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d)(Z|[+-]\d\d:\d\d)?", re.ASCII)
_NO_ZONE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?", re.ASCII)
_APART = Decimal("0.1")


def _span(text: str) -> tuple[datetime, datetime] | None:
    """Return the range of a date of a search; minutes will do, and without an offset it is read in UTC.

    Shape: a `+` that was not escaped arrives as a space.
    """
    text = re.sub(r" (?=\d\d:\d\d$)", "+", text)
    if (minute := _MINUTE.fullmatch(text)) is not None:
        zone = minute[2] or "Z"
        low, high = span(f"{minute[1]}:00{zone}"), span(f"{minute[1]}:59{zone}")
        return (low[0], high[1]) if low and high else None
    return span(f"{text}Z" if _NO_ZONE.fullmatch(text) else text)


def dates(value: str, name: str, now: datetime) -> list[Clause]:
    """Return what a date with its prefix asks for; `now` is what `ap` is near to.

    Errors: BadParameterError if it is none.
    Source: http://hl7.org/fhir/R4/search.html#date, #prefix
    """
    match = _PREFIX.fullmatch(unescaped(value))
    covered = _span(match[2]) if match else None
    if match is None or covered is None:
        raise BadParameterError(
            f"A search by {name} takes a date like ge2026-03-01 or 2026-03-01T02:00:00Z; got {value[:40]!r}.",
            place=name,
        )
    low, high = map(microseconds, covered)
    slack = abs(microseconds(now.astimezone(UTC)) - low) / 10
    asked: Mapping[str, list[Clause]] = {
        "eq": [(("low", ">=", low), ("low", "<=", high), ("high", "<=", high))],
        "ne": [(("low", "<", low),), (("high", ">", high),)],
        "gt": [(("high", ">", high),)],
        "lt": [(("low", "<", low),)],
        "ge": [(("high", ">", high),), (("low", ">=", low),)],  # what begins inside ends inside or above
        "le": [(("low", "<", low),), (("high", "<=", high), ("low", "<=", high))],
        "sa": [(("low", ">=", high),)],
        "eb": [(("high", "<=", low), ("low", "<=", low))],
        "ap": [(("low", "<", high + slack), ("high", ">", low - slack))],
    }
    prefix = match[1] or "eq"
    clauses = asked[prefix]
    if name == "_lastUpdated":
        return [tuple(map(_of_an_instant, clause)) for clause in clauses]
    found = [each for clause in clauses for each in of_any_length((NO_TEXT, *clause), DAY)]
    if prefix in ("ge", "le") and high - low >= DAY:  # no short range reaches over all of a day: the second says it all
        return found[1:]
    return found


def _of_an_instant(part: Part) -> Part:
    """Return what is asked of where an instant begins, in place of where it ends a microsecond later."""
    column, operator, value = part
    return ("low", operator, float(value) - 1) if column == "high" else part


def of_any_length(clause: Clause, short: float) -> Iterator[Clause]:
    """Yield what a clause asks of short ranges, which begin so much before they end at most, and of longer ones.

    Shape: the first part of the clause is of the text.
    """
    (_, _, text), *rest = clause
    ends = [(said, float(value) - short) for column, said, value in rest if column == "high" and said in (">", ">=")]
    yield (("text", "=", text), *[("low", said, end) for said, end in ends], *rest)
    yield (("text", "=", f"{text}{LONG}"), *rest)


def numbers(value: str, name: str, unit: Clause = ()) -> list[Clause]:
    """Return what a number with its prefix asks for, beside its unit.

    Errors: BadParameterError if it is none.
    Source: http://hl7.org/fhir/R4/search.html#number, #prefix
    """
    match = _PREFIX.fullmatch(value)
    number = None
    if match is not None and _NUMBER.fullmatch(match[2]):
        with suppress(InvalidOperation):
            number = Decimal(match[2])
    if match is None or number is None or abs(number) > Decimal(END):
        raise BadParameterError(f"A search by {name} takes a number like 5.4 or gt100; got {value[:40]!r}.", place=name)
    exact = float(number)
    low, high = map(float, _meant(number))
    near = abs(number) * _APART
    asked: Mapping[str, list[Clause]] = {
        "eq": [(("low", ">=", low), ("low", "<=", high), ("high", "<", high))],
        "ne": [(("low", "<", low),), (("high", ">=", high),)],
        "gt": [(("high", ">", exact),)],
        "lt": [(("low", "<", exact),)],
        "ge": [(("high", ">=", exact),)],
        "le": [(("low", "<=", exact),)],
        "sa": [(("low", ">", exact),)],
        "eb": [(("high", "<", exact),)],
        "ap": [(("high", ">=", float(number - near)), ("low", "<=", float(number + near)))],
    }
    clauses = [(*unit, *clause) for clause in asked[match[1] or "eq"]]
    if not any(column == "text" for column, _, _ in unit):
        return clauses
    return [each for clause in clauses for each in of_any_length(clause, 0.0)]


def _meant(number: Decimal) -> tuple[Decimal, Decimal]:
    """Return the half-open range that a number stands for: half a step of its last digit to either side.

    >>> [str(one) for one in (*_meant(Decimal("100")), *_meant(Decimal("5.40")), *_meant(Decimal("1e2")))]
    ['99.5', '100.5', '5.395', '5.405', '95', '105']

    Source: http://hl7.org/fhir/R4/search.html#number (100 is [99.5, 100.5); 1e2 is [95, 105), as the page says).
    """
    step = int(number.as_tuple().exponent)
    half = Decimal(5).scaleb(step - 1 if step <= 0 else step - 2)
    return Decimal(f"{number - half:f}"), Decimal(f"{number + half:f}")


def quantities(value: str, name: str) -> list[Clause]:
    """Return what a number asks for, alone or with system and code of its unit.

    Errors: BadParameterError if it is neither.
    Source: http://hl7.org/fhir/R4/search.html#quantity
    """
    number, *unit = re.split(r"(?<!\\)\|", value)
    if len(unit) not in (0, 2):
        raise BadParameterError(
            f"A search by {name} takes a number, or number|system|code; got {value[:40]!r}.", place=name
        )
    meant: Clause = ()
    if unit:
        system, code = map(unescaped, unit)
        meant = (("text", "=", code),) if code else ()
        meant = (*meant, ("scope", "=", brief(system))) if system else meant
    return numbers(number, name, meant)
