"""How a search becomes one statement: one criterion drives, the others are looked up by resource.

The first reference (else the first token) is read through its index, which holds the resources of one value
in the order of their first writing, so a page stops after `count` rows; every further criterion is one probe
of a table whose key begins with the resource. The shape is fixed here, not left to a planner without
statistics. Searches by several values, and totals, read all matches of the driving criterion. A whole
system (no value named) drives only where nothing else can.
"""

import re
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, FromClause, Select, Table, and_, exists, false, func, or_, select

from fhirmod.errors import InvalidError

from .sought import Sought, meeting
from .statements import CURRENT, VERSION
from .tables import reference, resource, search_value, token, version

IDENTIFIER = "identifier"  # the search parameter that every identified R4 type has

Alternatives = Sequence[tuple[str | None, str | None]]
Tokens = Sequence[tuple[str, Alternatives]]
References = Sequence[tuple[str, str, Sequence[str]]]

_CURSOR = re.compile(r"([0-9]{1,18})-([0-9]{1,18})", re.ASCII)


def read_cursor(text: str | None) -> tuple[int, int | None]:
    """Return (last resource seen, total of the first page); (0, None) without a cursor.

    Errors: InvalidError if the text is not a cursor.
    """
    if text is None:
        return 0, None
    match = _CURSOR.fullmatch(text)
    if match is None:
        raise InvalidError(
            f"The page cursor {text[:40]!r} is not one of ours; follow the link 'next' of the page before, unchanged."
        )
    return int(match[1]), int(match[2])


def write_cursor(last: int, known: int) -> str:
    """Return the cursor that continues behind `last`.

    >>> read_cursor(write_cursor(12, 40))
    (12, 40)
    """
    return f"{last}-{known}"


class _Criterion(NamedTuple):
    """A table, what its row must meet, whether one resource may meet it with several rows, or must with none."""

    table: Table
    meets: Callable[[FromClause], ColumnElement[bool]]
    several: bool
    none: bool = False


def hits(
    type_: str, ids: Sequence[str] | None, tokens: Tokens, references: References, values: Sequence[Sought] = ()
) -> FromClause:
    """Return the relation of the rids that match, each once."""
    driving, *further = _criteria(ids, tokens, references, values)
    driver = driving.table.alias("driver")
    statement = select(driver.c.rid).where(driver.c.type == type_, driving.meets(driver))
    if driving.several:
        statement = statement.distinct()
    for criterion in further:
        probe = criterion.table.alias()
        there = exists().where(probe.c.rid == driver.c.rid, criterion.meets(probe))
        statement = statement.where(~there if criterion.none else there)
    return statement.subquery("hit")


def paged(hit: FromClause, last: int, count: int) -> Select[Any]:
    """Return the statement for `count` current versions behind the resource `last`, each with its rid."""
    return (
        select(*VERSION, hit.c.rid)
        .select_from(hit)
        .join(resource, resource.c.rid == hit.c.rid)
        .join(version, CURRENT)
        .where(hit.c.rid > last)
        .order_by(hit.c.rid)
        .limit(count)
    )


def total(hit: FromClause) -> Select[Any]:
    """Return the statement for the number of matches."""
    return select(func.count()).select_from(hit)


def _criteria(
    ids: Sequence[str] | None, tokens: Tokens, references: References, values: Sequence[Sought]
) -> list[_Criterion]:
    found = []
    if ids is not None:
        found.append(_Criterion(resource, _named(ids), several=False))
    found.extend(_Criterion(reference, _refers(*each), len(each[2]) != 1) for each in references)
    named_first = sorted(tokens, key=lambda each: not _names_values(each[1]))
    found.extend(_Criterion(token, _carries(*each), not _exact(each[1])) for each in named_first)
    ordered = sorted(values, key=lambda each: each.rank)
    if not found and (not ordered or ordered[0].none):
        found.append(_Criterion(resource, lambda row: row.c.deleted == false(), several=False))
    found.extend(_Criterion(search_value, partial(meeting, each), several=True, none=each.none) for each in ordered)
    return found


def _named(ids: Sequence[str]) -> Callable[[FromClause], ColumnElement[bool]]:
    def meets(row: FromClause) -> ColumnElement[bool]:
        # "IS 0", not "= 0": the index of the living would be read whole, the one of (type, id) is meant
        return and_(row.c.id.in_(list(ids)), row.c.deleted.is_(false()))

    return meets


def _names_values(alternatives: Alternatives) -> bool:
    """Return whether the index of values answers it; a whole system is read through all tokens of a type."""
    return all(value is not None for _, value in alternatives)


def _exact(alternatives: Alternatives) -> bool:
    """Return whether one row at most of each resource is meant: one value, its system named."""
    return len(alternatives) == 1 and None not in alternatives[0]


def _carries(param: str, alternatives: Alternatives) -> Callable[[FromClause], ColumnElement[bool]]:
    values = list(dict.fromkeys(value for _, value in alternatives if value is not None))
    systems = {system for system, _ in alternatives}

    def meets(row: FromClause) -> ColumnElement[bool]:
        if not _names_values(alternatives):
            return and_(row.c.param == param, or_(*[_carried(row, *each) for each in alternatives]))
        valued = and_(row.c.param == param, _among(row.c.value, values))
        if systems <= {None}:
            return valued
        if len(systems) == 1:
            return and_(valued, row.c.system == next(iter(systems)))
        return and_(valued, or_(*[_carried(row, system, value) for system, value in alternatives]))

    return meets


def _carried(row: FromClause, system: str | None, value: str | None) -> ColumnElement[bool]:
    asked = ((row.c.value, value), (row.c.system, system))
    return and_(*[column == wanted for column, wanted in asked if wanted is not None])


def _among(column: ColumnElement[str], wanted: Sequence[str]) -> ColumnElement[bool]:
    """Return the condition that the column has one of the values; one value keeps the order of the index."""
    return column == wanted[0] if len(wanted) == 1 else column.in_(wanted)


def _refers(param: str, target: str, ids: Sequence[str]) -> Callable[[FromClause], ColumnElement[bool]]:
    def meets(row: FromClause) -> ColumnElement[bool]:
        return and_(row.c.param == param, row.c.target_type == target, _among(row.c.target_id, ids))

    return meets
