"""How a statement that writes is run and counted: what everything that writes is built on."""

from collections.abc import Sequence

from sqlalchemy import Connection

from .prepared import Change
from .reader import Reader


class Changing(Reader):
    """A `Reader` that can also change rows; `wrote` says whether it did."""

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection)
        self.wrote = False

    def _change(self, change: Change, rows: Sequence[Sequence[object]]) -> int:
        """Return how many rows were touched."""
        if not rows:
            return 0
        self.wrote = True
        self.statements += 1
        return change.run(self._cursor, self._dialect, rows)
