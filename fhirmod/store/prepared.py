"""Statements written in SQLAlchemy Core, compiled once per dialect and run on the driver's own cursor.

A bedside write runs about a dozen small statements. `Connection.execute` costs 10-17 us a piece over the
driver, more than most of these statements; so the constants are compiled here to the driver's text and given
plain tuples. A search is written once for each shape it has (`Filled`), its values are given by name.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import cache, lru_cache, partial
from typing import Any, ParamSpec, cast

from sqlalchemy import ClauseElement, Dialect, Table

CHUNK = 512  # keys in one statement
FORMS = 512  # statements of each kind that are kept
_Shape = ParamSpec("_Shape")


class Prepared:
    """A statement and the order in which its parameters are given; `filled` names the columns of an INSERT.

    Shape:  `otherwise` holds the statement as it must be written for a dialect, where that differs.
    Errors: ValueError if the dialect would ask for the parameters in another order.
    """

    def __init__(
        self,
        statement: ClauseElement,
        *names: str,
        filled: list[str] | None = None,
        otherwise: dict[str, ClauseElement] | None = None,
    ) -> None:
        self._statement = statement
        self._names = list(names)
        self._filled = filled
        self._otherwise = otherwise or {}
        self._texts: dict[str, str] = {}

    def text(self, dialect: Dialect) -> str:
        """Return the statement as the driver of `dialect` wants it, with positional parameters."""
        text = self._texts.get(dialect.name)
        if text is None:
            statement = self._otherwise.get(dialect.name, self._statement)
            compiled: Any = statement.compile(dialect=dialect, column_keys=self._filled)
            if compiled.positiontup != self._names:
                raise ValueError(f"The statement takes {compiled.positiontup}, but {self._names} was declared.")
            text = self._texts[dialect.name] = str(compiled)
        return text


class Filled:
    """A statement whose shape varies: its named parameters are filled by name, its constants are its own.

    Shape: it is built anew for each dialect, and what it was built of is let go: that is ten times the text.
    """

    def __init__(self, build: Callable[[], ClauseElement]) -> None:
        self._build = build
        self._texts: dict[str, tuple[str, list[str], Mapping[str, object]]] = {}

    def of(self, dialect: Dialect, values: Mapping[str, object]) -> tuple[str, list[object]]:
        """Return the text for the driver of `dialect`, and its positional parameters."""
        if dialect.name not in self._texts:
            compiled: Any = self._build().compile(dialect=dialect, compile_kwargs={"render_postcompile": True})
            self._texts[dialect.name] = str(compiled), list(compiled.positiontup or ()), dict(compiled.params)
        text, names, constants = self._texts[dialect.name]
        return text, [values[name] if name in values else constants[name] for name in names]


def filled(build: Callable[_Shape, ClauseElement]) -> Callable[_Shape, Filled]:
    """Return the statements that a function builds, each kept for the shape it was built for, the last `FORMS`."""

    @lru_cache(maxsize=FORMS)
    def kept(*shape: _Shape.args, **more: _Shape.kwargs) -> Filled:
        return Filled(partial(build, *shape, **more))

    return cast("Callable[_Shape, Filled]", kept)


class Change:
    """A statement that writes many rows: one at a time, or on PostgreSQL all at once, a list for each column.

    A statement costs a server as much as several rows do, and each one is a message there and back. A table that many
    rows go into at once (`into`) is written by COPY there: lists cost the driver five times as much to send.
    """

    def __init__(self, by_row: Prepared, by_column: Prepared | None = None, *, into: Table | None = None) -> None:
        self._by_row = by_row
        self._by_column = by_column
        self._into = into

    def run(self, cursor: Any, dialect: Dialect, rows: Sequence[Sequence[object]]) -> int:
        """Return how many rows of the table were touched."""
        if self._into is not None and dialect.name == "postgresql":
            return _copied(cursor, dialect, self._into, rows)
        if self._by_column is not None and dialect.name == "postgresql":
            cursor.execute(self._by_column.text(dialect), [list(column) for column in zip(*rows, strict=True)])
        else:
            cursor.executemany(self._by_row.text(dialect), rows)
        return int(cursor.rowcount)


def _copied(cursor: Any, dialect: Dialect, table: Table, rows: Sequence[Sequence[object]]) -> int:
    names = ", ".join(column.name for column in table.c)
    with cursor.copy(f"COPY {table.name} ({names}) FROM STDIN (FORMAT BINARY)") as copy:
        copy.set_types([column.type.compile(dialect).partition(" COLLATE")[0].lower() for column in table.c])
        for row in rows:
            copy.write_row(row)
    return len(rows)


def sized(make: Callable[[int], Prepared]) -> Callable[[int], tuple[Prepared, int]]:
    """Return a door to statements over n keys: the one for the next power of two, and that number.

    Shape: the caller repeats its last key to fill up; so ten texts serve every n up to `CHUNK`.
    """
    cached = cache(make)

    def fitting(count: int) -> tuple[Prepared, int]:
        room = 1 << (count - 1).bit_length()
        return cached(room), room

    return fitting
