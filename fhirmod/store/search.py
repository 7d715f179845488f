"""How a search becomes one statement: one criterion drives, the others are looked up by resource.

What drives is read through an index; every further criterion is one probe of a table whose key begins with the
resource. The shape is fixed here, not left to a planner without statistics: where several criteria could drive, each is
first counted up to a few, and the one with the fewest rows does. One exact text holds the resources in the order of
their first writing, so a page stops after `count` of them; of ranges and alternatives all matches are read. Where
nothing is rare, all resources of the type are walked in that order and probed.
"""

from collections.abc import Iterator, Sequence
from functools import reduce
from operator import add
from typing import Any, NamedTuple

from sqlalchemy import ClauseElement, ColumnElement, Select, case, exists, false, func, literal, select, union

from .meeting import meets, place_of
from .prepared import Filled, filled
from .sought import Chained, Criterion, Had, Sought
from .tables import resource, search_value

IDENTIFIER = "identifier"  # the search parameter that every identified R4 type has
FEW = 1_000  # rows that are counted of a criterion; with as many it is not rare


class Search(NamedTuple):
    """Criteria on a type, as forms, and which of them drives; None if all resources of the type are walked.

    Shape: `rare` is whether what drives was found to have few rows, or may have.
    """

    type: str
    criteria: tuple[Criterion, ...]
    driving: int | None
    rare: bool = True


def planned(type_: str, criteria: tuple[Criterion, ...], counts: Sequence[int]) -> Search:
    """Return the search with what drives it chosen, by the counts of `sampled`; none if it had nothing to ask."""
    able = [number for number, one in enumerate(criteria) if _drives(one)]
    if not able:
        return Search(type_, criteria, None, rare=False)
    if not counts or min(counts) < FEW:
        return Search(type_, criteria, able[counts.index(min(counts))] if counts else able[0])
    own = [number for number in able if isinstance(criteria[number], Sought)]
    exact = [number for number in own if _exact(criteria[number])]
    return Search(type_, criteria, next(iter((*exact, *own)), None), rare=False)


def sampled(type_: str, criteria: tuple[Criterion, ...], *, weighed: bool = False) -> Filled | None:
    """Return the statement that counts each criterion up to `FEW` and a little.

    Shape: None where nothing is to choose, and nobody asks whether it is rare (`weighed`).
    """
    able = [one for one in criteria if _drives(one)]
    if not able or (len(able) == 1 and isinstance(able[0], Sought) and not weighed):
        return None
    return _sampled(type_, tuple(able))


@filled
def _sampled(type_: str, able: tuple[Criterion, ...]) -> ClauseElement:
    return select(*[_sample(type_, one) for one in able])


def matching(search: Search) -> Select[Any]:
    """Return the statement for the rids that match, each once."""
    if search.driving is None:
        row = resource.alias("driver")
        driver: Select[Any] = select(row.c.rid).where(row.c.type == search.type, row.c.deleted == false())
        rid: ColumnElement[int] = row.c.rid
    else:
        driver, rid = _driver(search.type, search.criteria[search.driving])
    further = [one for number, one in enumerate(search.criteria) if number != search.driving]
    return driver.where(*[meets(search.type, one, rid) for one in further])


def _drives(criterion: Criterion) -> bool:
    """Return whether there are rows to begin with; an absence has none."""
    return not (isinstance(criterion, Sought) and criterion.none)


def _exact(criterion: Criterion) -> bool:
    """Return whether one text is asked for, without a range beside it: its rows stand in the order of their rids."""
    if not isinstance(criterion, Sought) or len(criterion.params) != 1 or len(criterion.clauses) != 1:
        return False
    asked = {(column, operator) for column, operator, _ in criterion.clauses[0]}
    return ("text", "=") in asked and asked <= {("text", "="), ("scope", "="), ("low", "=")}


def _driver(type_: str, criterion: Criterion) -> tuple[Select[Any], ColumnElement[int]]:
    """Return the statement for the rids that meet a criterion, each once, and its column."""
    if _exact(criterion) and isinstance(criterion, Sought):
        place = place_of(criterion.params)
        row, twin = place.table.alias("driver"), place.table.alias("twin")
        (asked,) = place.alternatives(row, type_, criterion.clauses)
        statement = select(row.c.rid).where(place.named(row, type_, criterion.params), *asked)
        if "scope" in place.columns and not any(column == "scope" for column, _, _ in criterion.clauses[0]):
            (again,) = place.alternatives(twin, type_, criterion.clauses)
            before = twin.c[place.columns["scope"]] < row.c[place.columns["scope"]]
            twice = exists().where(twin.c.rid == row.c.rid, place.named(twin, type_, criterion.params), *again, before)
            statement = statement.where(~twice)
        return statement, row.c.rid
    parts = list(_branches(type_, criterion))
    found = (union(*parts) if len(parts) > 1 else parts[0].distinct()).subquery("driver")
    return select(found.c.rid), found.c.rid


def _branches(type_: str, criterion: Criterion) -> Iterator[Select[Any]]:
    """Yield statements for rids that meet a criterion: together all of them, some perhaps twice."""
    match criterion:
        case Sought(params, clauses, _):
            place = place_of(params)
            row = place.table.alias("driver")
            named = select(row.c.rid).where(place.named(row, type_, params))
            for asked in place.alternatives(row, type_, clauses) or [[false()]]:
                yield named.where(*asked)
        case Chained(params, ways):
            row, led = search_value.alias("driver"), resource.alias("led")
            for way, inner in ways:
                ids = select(led.c.id).where(led.c.type == way, led.c.rid.in_(_all_of(way, inner)))
                yield select(row.c.rid).where(
                    place_of(params).named(row, type_, params),
                    row.c.text.in_(ids),
                    row.c.low == 0.0,
                    row.c.scope == way,
                )
        case Had(source, params, inner):
            row, here = search_value.alias("referring"), resource.alias("driver")
            ids = select(row.c.text).where(
                row.c.rid.in_(_all_of(source, inner)), place_of(params).named(row, source, params), row.c.scope == type_
            )
            yield select(here.c.rid).where(here.c.type == type_, here.c.id.in_(ids), here.c.deleted.is_(False))


def _all_of(type_: str, criterion: Criterion) -> Any:
    """Return the statement for the rids of a type that meet a criterion, be it an absence; some perhaps twice.

    Shape: no subquery more than it takes, for SQLite's parser has an end.
    """
    parts = list(_branches(type_, criterion)) if _drives(criterion) else [matching(Search(type_, (criterion,), None))]
    return union(*parts) if len(parts) > 1 else parts[0]


def _sample(type_: str, criterion: Criterion) -> ColumnElement[int]:
    """Return the expression for how many rows a criterion has, up to `FEW` of each of its branches.

    Shape: a chain has many where what it ends with has; only else its own rows are counted, since to begin with them
           means to have found all that it ends with.
    """
    match criterion:
        case Sought(none=True):
            return literal(FEW)
        case Chained(_, ways):
            ends = [_sample(way, inner) for way, inner in ways]
        case Had(source, _, inner):
            ends = [_sample(source, inner)]
        case _:
            return _counted(type_, criterion)
    return case((reduce(add, ends) >= FEW, FEW), else_=_counted(type_, criterion))


def _counted(type_: str, criterion: Criterion) -> ColumnElement[int]:
    some = [part.limit(FEW).subquery() for part in _branches(type_, criterion)]
    return reduce(add, [select(func.count()).select_from(one).scalar_subquery() for one in some])
