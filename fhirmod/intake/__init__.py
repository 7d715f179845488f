"""The one path of every write, bedside or FHIR; it answers with a receipt. Reading an episode back starts here too."""

from .chaining import answered, criteria, criterion, leads_to, unknown
from .exchanged import Written
from .identity import same_woman
from .indexing import target
from .narrowed import rows_of
from .ordering import orders
from .overdue import OVERDUE
from .receipt import EntryResult, ReadResource, Receipt, finding_document
from .request import Request
from .seeking import Asking, referring, sought
from .service import Intake
from .shelving import shelve
from .snapshot import Snapshot
from .sweep import overdue
from .transaction import Asked, relative
from .wide import merged
from .working import Handler, Work, work_one

__all__ = [
    "OVERDUE",
    "Asked",
    "Asking",
    "EntryResult",
    "Handler",
    "Intake",
    "ReadResource",
    "Receipt",
    "Request",
    "Snapshot",
    "Work",
    "Written",
    "answered",
    "criteria",
    "criterion",
    "finding_document",
    "leads_to",
    "merged",
    "orders",
    "overdue",
    "referring",
    "relative",
    "rows_of",
    "same_woman",
    "shelve",
    "sought",
    "target",
    "unknown",
    "work_one",
]
