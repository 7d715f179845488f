"""What a write is told from outside: who asks, when it was received, and where new ids come from."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from fhirmod.episode import Moment
from fhirmod.store import Access


@dataclass(frozen=True, slots=True)
class Request:
    """One request to write: `now` is when it was received, to the millisecond; nothing below reads a clock.

    Shape: `base` is the address at which this service's FHIR side is reached, "" where it is not.
    """

    access: Access
    now: datetime
    new_id: Callable[[], str]
    dry_run: bool = False
    base: str = ""

    @property
    def received(self) -> Moment:
        """Return the moment of receipt as text, as it stands in meta.lastUpdated."""
        return Moment.of(self.now)


def received_at(text: str) -> datetime:
    """Return the instant of a stored meta.lastUpdated."""
    return datetime.fromisoformat(text)
