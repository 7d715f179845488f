"""The one path of every write, bedside or FHIR; it answers with a receipt. Reading an episode back starts here too."""

from .exchanged import Written
from .identity import same_woman
from .indexing import target
from .overdue import OVERDUE
from .putting import INDEXED as SEARCHED
from .receipt import EntryResult, ReadResource, Receipt, finding_document
from .request import Request
from .seeking import Asking, sought, sought_parameters
from .service import Intake
from .shelving import shelve
from .snapshot import Snapshot
from .sweep import overdue
from .transaction import Asked, relative
from .working import Handler, Work, work_one

__all__ = [
    "OVERDUE",
    "SEARCHED",
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
    "finding_document",
    "overdue",
    "relative",
    "same_woman",
    "shelve",
    "sought",
    "sought_parameters",
    "target",
    "work_one",
]
