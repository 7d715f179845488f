"""The wall clock and the source of ids: the only place that reads either."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from uuid import uuid4


@dataclass(frozen=True, slots=True)
class Clock:
    """Where a service gets the time and new ids from; tests bring their own."""

    now: Callable[[], datetime]
    new_id: Callable[[], str]


def wall_clock() -> Clock:
    """Return the clock of this machine: UTC to the millisecond, and random ids (RFC 4122 version 4)."""
    return Clock(_now, lambda: str(uuid4()))


def _now() -> datetime:
    now = datetime.now(UTC)
    return now.replace(microsecond=now.microsecond // 1000 * 1000)
