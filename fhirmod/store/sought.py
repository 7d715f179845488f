"""What a search asks for, as data: of the values of a resource, of what it refers to, of what refers to it."""

from typing import Literal, NamedTuple

Column = Literal["param", "text", "scope", "low", "high"]
Operator = Literal["=", "<", "<=", ">", ">=", "holds"]
Part = tuple[Column, Operator, str | float]
Clause = tuple[Part, ...]


class Sought(NamedTuple):
    """Rows of any of `params` that meet any of `clauses`: at least one of them, or where `none` is set not one.

    Shape: a clause is met by a row that meets each of its parts; the empty clause by every row. A part may name one
           of `params`, if what is asked of them differs.
    """

    params: tuple[str, ...]
    clauses: tuple[Clause, ...]
    none: bool = False


class Chained(NamedTuple):
    """It refers, by any of `params`, to a resource of one of the types that meets that type's criterion."""

    params: tuple[str, ...]
    ways: tuple[tuple[str, "Criterion"], ...]


class Had(NamedTuple):
    """A resource of `type` that meets the criterion refers to it by any of `params`."""

    type: str
    params: tuple[str, ...]
    criterion: "Criterion"


Criterion = Sought | Chained | Had


class Order(NamedTuple):
    """What a page is sorted by: the values of some parameters, their texts or where their ranges begin.

    Shape: of several values the smallest counts going up, the largest going down; what has none comes last. `texts`
           are those that the values may have beside their range, if a resource has one value at most. Only values of
           a `scope` count where one is given.
    """

    params: tuple[str, ...]
    column: Literal["text", "low"]
    down: bool = False
    texts: tuple[str, ...] = ()
    scope: str = ""


Values = dict[str | float, str]


def form(criterion: Criterion, values: Values) -> Criterion:
    """Return the criterion with the name of a parameter in place of each value; `values` gains (value, name).

    Shape: criteria of one form make one statement, written once; the same value has the same name.

    >>> known: Values = {}
    >>> form(Sought(("code",), ((("text", "=", "8867-4"), ("scope", "=", "http://loinc.org")),)), known).clauses
    ((('text', '=', 'v0'), ('scope', '=', 'v1')),)
    >>> known
    {'8867-4': 'v0', 'http://loinc.org': 'v1'}
    """
    match criterion:
        case Sought():
            return criterion._replace(
                clauses=tuple(tuple(_named(part, values) for part in clause) for clause in criterion.clauses)
            )
        case Chained(params, ways):
            return Chained(params, tuple((type_, form(inner, values)) for type_, inner in ways))
        case Had(type_, params, inner):
            return Had(type_, params, form(inner, values))


def _named(part: Part, values: Values) -> Part:
    """Return the part with the name of its value; which parameter is meant is no value, but what the statement is."""
    column, said, value = part
    return part if column == "param" else (column, said, values.setdefault(value, f"v{len(values)}"))
