"""What is stored and served but not read as an entry: why, what it may have been, and for how long that was so."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class UnreadResource:
    """A resource that is stored and served but not read as an entry, and why.

    Shape: `kinds` it may have been; `since` and `until` are when that reading began and ended (None: still so);
           `at` is when it says that it happened, if it says an instant.
    """

    reference: str
    reason: str
    kinds: frozenset[str] = frozenset()
    since: datetime | None = None
    until: datetime | None = None
    at: datetime | None = None

    def matters(self, as_of: datetime | None, known_at: datetime | None) -> bool:
        """Return whether it could have changed what was so at `as_of`, as known at `known_at` (None: now)."""
        if self.at is not None and as_of is not None and self.at > as_of:
            return False
        if known_at is None:
            return self.until is None
        return (self.since is None or self.since <= known_at) and (self.until is None or known_at < self.until)


def unread_kinds(
    unread: Iterable[UnreadResource], *, as_of: datetime | None = None, known_at: datetime | None = None
) -> frozenset[str]:
    """Return every kind of entry that something unread may have been, as of a moment, as known at a moment."""
    return frozenset(kind for one in unread if one.matters(as_of, known_at) for kind in one.kinds)
