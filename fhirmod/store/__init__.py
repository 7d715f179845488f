"""Versioned resources, what finds them, episodes and their members, accepted entries, jobs; exact bytes in and out.

The store parses nothing, makes no ids and reads no clock; it knows no tamponade. Every call names who asks.
"""

from .access import Access
from .jobs import LEASE_ENDED, MOST_ATTEMPTS, LeaseLostError, tell_given_up
from .past import Past
from .reader import Reader
from .rows import (
    EntryRow,
    EpisodeRow,
    HeldRow,
    Job,
    JobRow,
    Key,
    Method,
    OutboxRow,
    Owner,
    Page,
    Put,
    Status,
    Value,
    Version,
    Waiting,
    microseconds,
    short,
)
from .sought import Chained, Clause, Column, Criterion, Had, Operator, Order, Part, Sought
from .store import Counters, Store, open_store
from .writer import Writer

__all__ = [
    "LEASE_ENDED",
    "MOST_ATTEMPTS",
    "Access",
    "Chained",
    "Clause",
    "Column",
    "Counters",
    "Criterion",
    "EntryRow",
    "EpisodeRow",
    "Had",
    "HeldRow",
    "Job",
    "JobRow",
    "Key",
    "LeaseLostError",
    "Method",
    "Operator",
    "Order",
    "OutboxRow",
    "Owner",
    "Page",
    "Part",
    "Past",
    "Put",
    "Reader",
    "Sought",
    "Status",
    "Store",
    "Value",
    "Version",
    "Waiting",
    "Writer",
    "microseconds",
    "open_store",
    "short",
    "tell_given_up",
]
