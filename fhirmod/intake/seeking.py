"""What a search asks of the rows of `indexing`: one parameter with its modifier and value becomes one criterion.

Codes and times that are asked for together become one too, where they stand in one row (`merged`).

Source: http://hl7.org/fhir/R4/search.html#prefix, #modifiers, #string, #token, #reference, #number, #quantity, #uri,
        #composite
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation
from itertools import chain, product
from math import prod

from fhirmod.errors import BadParameterError, NotSupportedError
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, SearchParameter, alternatives, component_types, composed, span, token, unescaped
from fhirmod.store import Clause, Column, Criterion, Operator, Sought, microseconds, short

from .composed import met_by_both
from .indexing import DAY, END, LONG, UNIONS, WIDE, cut, fold, indexed_parameters, target

MODIFIERS: Mapping[str, frozenset[str]] = {
    "token": frozenset(("missing", "not")),
    "string": frozenset(("missing", "exact", "contains")),
    "reference": frozenset(("missing", "identifier")),
    "date": frozenset(("missing",)),
    "number": frozenset(("missing",)),
    "quantity": frozenset(("missing",)),
    "uri": frozenset(("missing",)),
    "composite": frozenset(),
}
_OF_ALL = ("_id", "_lastUpdated", "identifier")  # the store holds these anyway, without a row
_PLAIN = frozenset(("_id",))  # it is always there, and is one
_NO_RANGE: tuple[Column, Operator, str | float] = (
    "low",
    "=",
    0.0,
)  # it follows the text in the index, the rid follows it
_NO_TEXT: tuple[Column, Operator, str | float] = ("text", "=", "")
_MOST_MERGED = 200
_PREFIX = re.compile(r"(eq|ne|gt|lt|ge|le|sa|eb|ap)?(.*)", re.DOTALL)
_NUMBER = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?", re.ASCII)
_MINUTE = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d)(Z|[+-]\d\d:\d\d)?", re.ASCII)
_NO_ZONE = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?", re.ASCII)
_APART = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class Asking:
    """What a search value is read against: this service's address, and when it was asked (for `ap`)."""

    base: str
    now: datetime


def sought_parameters(type_: str) -> tuple[str, ...]:
    """Return the names of all search parameters of a type that `criterion` answers."""
    unions = [one for one, parts in UNIONS.items() if type_ == "Observation" and one in searches(type_) and parts]
    own = [one for one in _OF_ALL if one in searches(type_)]
    return tuple(sorted({*indexed_parameters(type_), *unions, *own}))


def sought(type_: str, name: str, modifier: str, value: str, asking: Asking) -> Sought:
    """Return the criterion of one parameter of the type itself.

    Errors: NotSupportedError for a modifier that the parameter's type has not; BadParameterError for a value that is
            none of its type.
    """
    parameter = searches(type_)[name]
    params = UNIONS.get(name, (name,))
    narrowed = modifier if parameter.type == "reference" and modifier in RESOURCE_TYPES else ""
    able = frozenset[str]() if name in _PLAIN else MODIFIERS[parameter.type]
    if modifier and not narrowed and modifier not in able:
        raise NotSupportedError(
            f"{type_} is not searched by {name}:{modifier[:40]} here; "
            f"{name if name in _PLAIN else f'a {parameter.type}'} has the modifiers "
            f"{', '.join(sorted(able)) or 'none'}.",
            place=f"{name}:{modifier[:40]}",
        )
    if modifier == "missing":
        if value not in ("true", "false"):
            raise BadParameterError(f"{name}:missing is true or false; got {value[:20]!r}.", place=name)
        if parameter.type == "reference":
            params = (*params, f"{name}:identifier")
        return Sought(params, ((),), none=value == "true")
    if modifier == "identifier":
        return Sought((f"{name}:identifier",), tuple(_token(one, name) for one in alternatives(value)))
    if narrowed and narrowed not in parameter.targets:
        raise BadParameterError(f"{name} of {type_} never refers to a {narrowed}.", place=name)
    each = [_clauses(parameter, parameter.type, one, modifier, asking) for one in alternatives(value)]
    clauses = tuple(chain.from_iterable(each))
    if parameter.type == "quantity" and "|" not in value:
        params = tuple(f"{one}:number" for one in params)
    if parameter.type == "number" or params[0].endswith(":number"):
        clauses = tuple(each for clause in clauses for each in _of_any_length((_NO_TEXT, *clause), 0.0))
    return Sought(params, clauses, none=modifier == "not")


def merged(type_: str, criteria: Sequence[Criterion]) -> list[Criterion]:
    """Return the criteria with those of a code and a time as one, where a wide row holds both.

    Shape: as many criteria of the time as there are; one row has one time, so all of them are asked of the same row.
    """
    if type_ not in WIDE:
        return list(criteria)
    code, time = WIDE[type_]
    own = [one for one in criteria if isinstance(one, Sought) and not one.none and all(one.clauses)]
    timed = [one for one in own if one.params == (time,)]
    coded = [one for one in own if one.params == (code,) and all(_is_code(clause) for clause in one.clauses)][:1]
    if not timed or len(timed) + len(coded) < 2 or prod(len(one.clauses) for one in timed + coded) > _MOST_MERGED:
        return list(criteria)
    clauses = [clause for each in product(*[one.clauses for one in timed]) if (clause := _at_once(each))]
    wide = Sought((time,), tuple(clauses))
    if coded:
        wide = Sought((f"{code}:{time}",), tuple(_beside(one, two) for one in coded[0].clauses for two in clauses))
    return [wide, *[one for one in criteria if one not in timed + coded]]


def _is_code(clause: Clause) -> bool:
    return any((column, value != "") == ("text", True) for column, _, value in clause)


def _at_once(clauses: Sequence[Clause]) -> Clause:
    """Return the clause of a time that meets all of these; nothing if they are of a day and of longer."""
    lengths = {value for clause in clauses for column, _, value in clause if column == "text"}
    ranges = [part for clause in clauses for part in clause if part[0] != "text"]
    return (("text", "=", lengths.pop()), *ranges) if len(lengths) == 1 else ()


def _beside(code: Clause, time: Clause) -> Clause:
    """Return the clause of the wide row that meets both."""
    (length,) = [str(value) for column, _, value in time if column == "text"]
    named: Clause = tuple(
        (column, "=", f"{value}{length}" if column == "text" else value) for column, _, value in code if column != "low"
    )
    return (*named, *[part for part in time if part[0] != "text"])


def _clauses(parameter: SearchParameter, type_: str, value: str, modifier: str, asking: Asking) -> list[Clause]:
    """Return what one alternative asks for: a row that meets any of these."""
    name = parameter.code
    match type_:
        case "composite":
            return _composite(parameter, value, asking)
        case "string":
            return [_STRING[modifier](unescaped(value))]
        case "reference":
            return [_reference(value, name, modifier, asking.base)]
        case "date":
            return _date(value, name, asking.now)
        case "number":
            return _number(value, name)
        case "quantity":
            return _quantity(value, name)
        case "uri":
            return [(("text", "=", cut(unescaped(value))), _NO_RANGE)]
        case _:
            return [_token(value, name)]


def _composite(parameter: SearchParameter, value: str, asking: Asking) -> list[Clause]:
    values, types = composed(value), component_types(parameter)
    if len(values) != len(types) or "" in values:
        raise BadParameterError(
            f"A search by {parameter.code} takes {' and '.join(types)} with a $ between; got {value[:40]!r}.",
            place=parameter.code,
        )
    each = [_clauses(parameter, type_, one, "", asking) for type_, one in zip(types, values, strict=True)]
    return [met_by_both(*pair) for pair in product(*each)]


def _token(value: str, name: str) -> Clause:
    if name == "_id":
        return (("text", "=", unescaped(value)),)
    system, code = token(value)
    if not system and code is None:
        raise BadParameterError(f"A search by {name} needs a system or a value beside the bar.", place=name)
    held = short if name == "identifier" else cut
    coded: Clause = (("text", "=", held(code)), _NO_RANGE) if code is not None else ()
    return coded if system is None else (*coded, ("scope", "=", held(system)))


def _begins(value: str) -> Clause:
    """R4: equals or starts with the value; the end of the range is the last character there is."""
    folded = fold(value)
    return (("text", ">=", folded), ("text", "<", folded + "\U0010ffff"))


def _exact(value: str) -> Clause:
    return (("text", "=", fold(value)), _NO_RANGE, ("scope", "=", cut(value)))


def _contains(value: str) -> Clause:
    return (("text", "holds", fold(value)),)


_STRING: Mapping[str, Callable[[str], Clause]] = {"": _begins, "exact": _exact, "contains": _contains}


def _reference(value: str, name: str, narrowed: str, base: str) -> Clause:
    plain = unescaped(value).removeprefix(f"{base}/") if base else unescaped(value)
    id_, type_ = target(plain)
    if type_ or ":" in plain:
        if narrowed and type_ and narrowed != type_:
            raise BadParameterError(f"{name}:{narrowed} takes a {narrowed}; got a {type_}.", place=name)
        return (("text", "=", id_), _NO_RANGE, ("scope", "=", type_))
    if "/" in plain:
        raise BadParameterError(
            f"A search by {name} takes an id, a type with an id, or an address; got neither.", place=name
        )
    found: Clause = (("text", "=", plain), _NO_RANGE)
    return (*found, ("scope", "=", narrowed)) if narrowed else (*found, ("scope", ">", ""))


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


def _date(value: str, name: str, now: datetime) -> list[Clause]:
    match = _PREFIX.fullmatch(unescaped(value))
    covered = _span(match[2]) if match else None
    if match is None or covered is None:
        raise BadParameterError(
            f"A search by {name} takes a date like ge2026-03-01 or 2026-03-01T02:00:00Z; got {value[:40]!r}.",
            place=name,
        )
    low, high = map(microseconds, covered)
    inside: Clause = (("low", ">=", low), ("low", "<=", high), ("high", "<=", high))
    slack = abs(microseconds(now.astimezone(UTC)) - low) / 10
    asked: Mapping[str, list[Clause]] = {
        "eq": [inside],
        "ne": [(("low", "<", low),), (("high", ">", high),)],
        "gt": [(("high", ">", high),)],
        "lt": [(("low", "<", low),)],
        "ge": [(("high", ">", high),), inside],
        "le": [(("low", "<", low),), inside],
        "sa": [(("low", ">=", high),)],
        "eb": [(("high", "<=", low), ("low", "<=", low))],
        "ap": [(("low", "<", high + slack), ("high", ">", low - slack))],
    }
    clauses = asked[match[1] or "eq"]
    if name == "_lastUpdated":
        return [tuple(map(_of_an_instant, clause)) for clause in clauses]
    return [each for clause in clauses for each in _of_any_length((_NO_TEXT, *clause), DAY)]


def _of_an_instant(part: tuple[Column, Operator, str | float]) -> tuple[Column, Operator, str | float]:
    """Return what is asked of where an instant begins, in place of where it ends a microsecond later."""
    column, operator, value = part
    return ("low", operator, float(value) - 1) if column == "high" else part


def _of_any_length(clause: Clause, short: float) -> Iterator[Clause]:
    """Yield what a clause asks of short ranges, which begin so much before they end at most, and of longer ones.

    Shape: the first part of the clause is of the text.
    """
    (_, _, text), *rest = clause
    ends = [(said, float(value) - short) for column, said, value in rest if column == "high" and said in (">", ">=")]
    yield (("text", "=", text), *[("low", said, end) for said, end in ends], *rest)
    yield (("text", "=", f"{text}{LONG}"), *rest)


def _number(value: str, name: str, unit: Clause = ()) -> list[Clause]:
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
    return [each for clause in clauses for each in _of_any_length(clause, 0.0)]


def _meant(number: Decimal) -> tuple[Decimal, Decimal]:
    """Return the half-open range that a number stands for: half a step of its last digit to either side.

    >>> [str(one) for one in (*_meant(Decimal("100")), *_meant(Decimal("5.40")), *_meant(Decimal("1e2")))]
    ['99.5', '100.5', '5.395', '5.405', '95', '105']

    Source: http://hl7.org/fhir/R4/search.html#number (100 is [99.5, 100.5); 1e2 is [95, 105), as the page says).
    """
    step = int(number.as_tuple().exponent)
    half = Decimal(5).scaleb(step - 1 if step <= 0 else step - 2)
    return Decimal(f"{number - half:f}"), Decimal(f"{number + half:f}")


def _quantity(value: str, name: str) -> list[Clause]:
    number, *unit = re.split(r"(?<!\\)\|", value)
    if len(unit) not in (0, 2):
        raise BadParameterError(
            f"A search by {name} takes a number, or number|system|code; got {value[:40]!r}.", place=name
        )
    meant: Clause = ()
    if unit:
        system, code = map(unescaped, unit)
        meant = (("text", "=", code),) if code else ()
        meant = (*meant, ("scope", "=", system)) if system else meant
    return _number(number, name, meant)
