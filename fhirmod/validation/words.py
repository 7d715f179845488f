"""How a finding's sentence says a time, a length of time, a list."""

from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal

from fhirmod.compute import minutes

from .facts import Facts


def clock(moment: datetime, facts: Facts) -> str:
    """Return a time as a reader at the bedside says it: the clock alone on the day asked about, else with its date."""
    now = facts.now.astimezone(moment.tzinfo)
    return moment.strftime("%H:%M" if moment.date() == now.date() else "%Y-%m-%d %H:%M")


def lasting(start: datetime, end: datetime) -> str:
    """Return how long it is from one moment to another.

    Units:  min below two hours, whole days from 48 h on, else h and min.
    """
    whole = int(minutes(end - start))
    if whole < 120:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60:02d} min" if whole < 48 * 60 else f"{whole // 1440} days"


def shown(value: Decimal) -> str:
    """Return a number as it was written, without an exponent."""
    return f"{value:f}"


def listed(names: Iterable[str]) -> str:
    """Return names as a list in words."""
    *most, last = names
    return f"{', '.join(most)} and {last}" if most else last
