"""What a check says (`Finding`) and what is raised (`FhirmodError` and its leaves).

No HTTP lives here: the table from leaf to status stands in `api.problems`.
"""

from .finding import Finding, Severity, Tier
from .leaves import (
    BadParameterError,
    BusinessRuleError,
    ConflictError,
    FhirmodError,
    ForbiddenError,
    GoneError,
    InvalidError,
    NotComputableError,
    NotFoundError,
    NotSupportedError,
    PreconditionFailedError,
    TooLargeError,
    UnavailableError,
    UnreadableError,
)

__all__ = [
    "BadParameterError",
    "BusinessRuleError",
    "ConflictError",
    "FhirmodError",
    "Finding",
    "ForbiddenError",
    "GoneError",
    "InvalidError",
    "NotComputableError",
    "NotFoundError",
    "NotSupportedError",
    "PreconditionFailedError",
    "Severity",
    "Tier",
    "TooLargeError",
    "UnavailableError",
    "UnreadableError",
]
