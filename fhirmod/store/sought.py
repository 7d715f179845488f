"""What a criterion asks of the search values of one resource, as data; and the condition that says so in SQL."""

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple

from sqlalchemy import ColumnElement, FromClause, and_, false, func, or_

Column = Literal["text", "scope", "low", "high"]
Operator = Literal["=", "<", "<=", ">", ">=", "contains", "holds"]
Clause = tuple[tuple[Column, Operator, str | float], ...]


class Sought(NamedTuple):
    """Rows of any of `params` that meet any of `clauses`: at least one of them, or where `none` is set not one.

    Shape: a clause is met by a row that meets each of its parts; the empty clause by every row.
    """

    params: tuple[str, ...]
    clauses: tuple[Clause, ...]
    none: bool = False

    @property
    def rank(self) -> int:
        """Return how well it drives a search: a text first, a closed range, a half range, and last an absence."""
        if self.none:
            return 4
        asked = [{(column, operator) for column, operator, _ in clause} for clause in self.clauses]
        if asked and all(("text", "=") in one for one in asked):
            return 0
        if asked and all(("low", ">=") in one and ("low", "<=") in one for one in asked):
            return 1
        return 2 if all(asked) else 3


_SAID: Mapping[Operator, Callable[[Any, Any], ColumnElement[bool]]] = {
    "=": lambda column, value: column == value,
    "<": lambda column, value: column < value,
    "<=": lambda column, value: column <= value,
    ">": lambda column, value: column > value,
    ">=": lambda column, value: column >= value,
    "contains": lambda column, value: column.contains(value, autoescape=True),
    "holds": lambda column, value: func.replace(column, value, "") != column,  # by bytes: SQLite's LIKE folds ASCII
}


def meeting(sought: Sought, row: FromClause) -> ColumnElement[bool]:
    """Return the condition that a row of the search values is one of those sought."""
    named = row.c.param == sought.params[0] if len(sought.params) == 1 else row.c.param.in_(sought.params)
    if not sought.clauses:
        return false()
    each = [
        and_(*[_SAID[operator](row.c[column], value) for column, operator, value in clause])
        for clause in sought.clauses
        if clause
    ]
    return named if len(each) < len(sought.clauses) else and_(named, or_(*each))
