"""Whether the record is open: closed by a sign-off, reopened by what is recorded after it. No clock here."""

from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

from fhirmod.episode import Acknowledgement, Entry, Retraction, SignOff

from .when import when

_CLOSED_STAYS = (SignOff, Retraction, Acknowledgement)


class Closure(NamedTuple):
    """open | closed | reopened, and since when (None while it was never closed)."""

    word: str
    since: datetime | None


def closure(entries: Iterable[Entry]) -> Closure:
    """Return whether the record of these standing entries is open.

    Units:  an instant with offset.
    Errors: none.
    Units:  none; the time is an instant with offset.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    entries = list(entries)
    ends = [one.recorded_at.instant or when(one) for one in entries if isinstance(one, SignOff)]
    if not ends:
        return Closure("open", None)
    end = max(ends)
    later = [
        one.recorded_at.instant
        for one in entries
        if not isinstance(one, _CLOSED_STAYS) and one.recorded_at.instant is not None and one.recorded_at.instant > end
    ]
    return Closure("reopened", min(later)) if later else Closure("closed", end)
