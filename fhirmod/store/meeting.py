"""The conditions in SQL that say what a criterion asks: of a row that holds a value, and of a resource by its rid.

Most values stand in `search_value`; an id, the time of the last version and identifiers stand where they are anyway.
The criteria are forms (`sought.form`): in place of a value each has the name of its parameter.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from sqlalchemy import (
    BindParameter,
    ColumnElement,
    Exists,
    FromClause,
    Table,
    and_,
    bindparam,
    false,
    func,
    literal,
    literal_column,
    or_,
    select,
    true,
)

from .rows import field
from .sought import Chained, Clause, Column, Criterion, Had, Operator, Part, Sought
from .tables import resource, search_value, token

Condition = ColumnElement[bool]


class Place(NamedTuple):
    """The table that holds the values of a parameter, and what their columns are called there."""

    table: Table
    columns: Mapping[Column, str]

    def named(self, row: FromClause, type_: str, params: tuple[str, ...]) -> Condition:
        """Return the condition that a row holds a value of one of the parameters of a type."""
        if "field" in row.c:
            fields = [literal(field(type_, one)) for one in params]
            return row.c.field == fields[0] if len(fields) == 1 else row.c.field.in_(fields)
        if "param" in row.c:
            return and_(row.c.type == type_, row.c.param == params[0])
        # "IS 0", not "= 0": the index of the living would be read whole, another one is meant
        return and_(row.c.type == type_, row.c.deleted.is_(False))

    def alternatives(self, row: FromClause, type_: str, clauses: tuple[Clause, ...]) -> list[list[Condition]]:
        """Return lists of conditions, of which a row must meet one whole; those that differ by their text are one."""
        alike: dict[tuple[bool, Clause], list[str]] = {}
        for clause in clauses:
            texts = [str(name) for column, said, name in clause if (column, said) == ("text", "=")]
            rest = tuple(part for part in clause if part[:2] != ("text", "=") and part[0] in self.columns)
            alike.setdefault((bool(texts), rest), []).extend(texts)
        return [
            [*self._texts(row, texts), *[self._said(row, type_, part) for part in rest]]
            for (_, rest), texts in alike.items()
        ]

    def _said(self, row: FromClause, type_: str, part: Part) -> Condition:
        column, said, name = part
        if column == "param":
            return self.named(row, type_, (str(name),))
        return _SAID[said](row.c[self.columns[column]], given(name))

    def _texts(self, row: FromClause, texts: list[str]) -> list[Condition]:
        """Return the condition that the text is one of these; one alone keeps the order of an index."""
        if not texts:
            return []
        column, values = row.c[self.columns["text"]], [given(name) for name in dict.fromkeys(texts)]
        return [column == values[0] if len(values) == 1 else column.in_(values)]


_VALUES = Place(search_value, {"param": "field", "text": "text", "scope": "scope", "low": "low", "high": "high"})
_ELSEWHERE: Mapping[str, Place] = {
    "_id": Place(resource, {"text": "id"}),
    "_lastUpdated": Place(resource, {"low": "updated", "high": "updated"}),
    "identifier": Place(token, {"text": "value", "scope": "system"}),
}
_SAID: Mapping[Operator, Callable[[Any, Any], Condition]] = {
    "=": lambda column, value: column == value,
    "<": lambda column, value: column < value,
    "<=": lambda column, value: column <= value,
    ">": lambda column, value: column > value,
    ">=": lambda column, value: column >= value,
    "holds": lambda column, value: func.replace(column, value, "") != column,  # by bytes: SQLite's LIKE folds ASCII
}


def _probe(*conditions: Condition) -> Exists:
    """Return the condition that there is such a row, looked up for each resource: OFFSET keeps PostgreSQL from a join.

    Source: common practice, no published source: PostgreSQL plans a subquery with OFFSET by itself. Seen in its plans.
    """
    return select(literal_column("1")).where(*conditions).offset(literal_column("0")).exists()


def given(name: str | float) -> BindParameter[Any]:
    """Return the parameter of this name."""
    return bindparam(str(name))


def place_of(params: tuple[str, ...]) -> Place:
    """Return where the values of these parameters are; all of them are in one table."""
    return _ELSEWHERE.get(params[0], _VALUES)


def meets(type_: str, criterion: Criterion, rid: ColumnElement[int]) -> Condition:
    """Return the condition that the resource of a type which has this rid meets a criterion: one look-up by key."""
    match criterion:
        case Sought(params, clauses, none):
            place = place_of(params)
            row = place.table.alias()
            either = [and_(true(), *each) for each in place.alternatives(row, type_, clauses)]
            there = _probe(row.c.rid == rid, place.named(row, type_, params), or_(false(), *either))
            return ~there if none else there
        case Chained(params, ways):
            row, led = search_value.alias(), resource.alias()
            each_way = [and_(led.c.type == way, meets(way, inner, led.c.rid)) for way, inner in ways]
            return _probe(
                row.c.rid == rid,
                _VALUES.named(row, type_, params),
                led.c.type == row.c.scope,
                led.c.id == row.c.text,
                led.c.deleted.is_(False),
                or_(*each_way),
            )
        case Had(source, params, inner):
            row, here = search_value.alias(), resource.alias()
            return _probe(
                here.c.rid == rid,
                _VALUES.named(row, source, params),
                row.c.text == here.c.id,
                row.c.scope == type_,
                meets(source, inner, row.c.rid),
            )
