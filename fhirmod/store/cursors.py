"""Where a page of a search ended, as the text that its link carries."""

import base64
import binascii
import json
from collections.abc import Sequence
from math import isfinite
from typing import NamedTuple

from fhirmod.errors import InvalidError

from .sought import Column


class Cursor(NamedTuple):
    """How many matched at the first page if that was counted, the last resource seen, and what it was sorted by."""

    total: int | None
    rid: int
    keys: tuple[str | float | None, ...] = ()

    def named(self) -> dict[str, object]:
        """Return what a statement for the page behind it takes."""
        return {"rid": self.rid, **{f"key{number}": key for number, key in enumerate(self.keys)}}


def read_cursor(text: str | None, columns: Sequence[Column] = ()) -> Cursor | None:
    """Return where to go on, of a search sorted by these columns; None without a cursor.

    Errors: InvalidError if the text is not a cursor of such a search.
    """
    if text is None:
        return None
    try:
        found = json.loads(base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True))
    except (ValueError, binascii.Error, RecursionError):
        found = None
    if not (
        isinstance(found, list)
        and len(found) == 3
        and (found[0] is None or _is_number(found[0]))
        and _is_number(found[1])
        and isinstance(found[2], list)
        and len(found[2]) == len(columns)
        and all(map(_is_key, found[2], columns))
        and write_cursor(Cursor(found[0], found[1], tuple(found[2]))) == text
    ):
        raise InvalidError(
            f"The page cursor {text[:40]!r} is not one of ours; follow the link 'next' of the page before, unchanged."
        )
    return Cursor(found[0], found[1], tuple(found[2]))


def _is_number(value: object) -> bool:
    return type(value) is int and 0 <= value < 2**62


def _is_key(value: object, column: Column) -> bool:
    """Return whether a column may hold this, on either database; what has no value is None."""
    if value is None:
        return True
    if column == "text":
        return isinstance(value, str) and "\0" not in value and value.encode(errors="ignore").decode() == value
    return type(value) is float and isfinite(value)


def write_cursor(cursor: Cursor) -> str:
    """Return the text of a cursor.

    >>> read_cursor(write_cursor(Cursor(40, 12, ("final", 1.5, None))), ("text", "low", "low"))
    Cursor(total=40, rid=12, keys=('final', 1.5, None))
    """
    text = json.dumps([cursor.total, cursor.rid, list(cursor.keys)], separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")
