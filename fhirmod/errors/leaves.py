"""The errors that are raised; each carries the findings that say why."""

from .finding import Finding, Severity


class FhirmodError(Exception):
    """The root of everything raised on purpose; `findings` says what, where and what would be right."""

    code = "internal"
    issue = "exception"
    severity: Severity = "error"

    def __init__(self, sentence: str, *, place: str = "", findings: tuple[Finding, ...] = ()) -> None:
        super().__init__(sentence)
        self.findings = findings or (Finding(self.severity, self.code, self.issue, place, sentence),)


class UnreadableError(FhirmodError):
    """The bytes are not the JSON we accept (broken, duplicate keys, too deep, NaN)."""

    code = "unreadable"
    issue = "structure"


class InvalidError(FhirmodError):
    """The document was read, but breaks a contract of R4 or of the entries."""

    code = "invalid"
    issue = "invalid"


class BusinessRuleError(FhirmodError):
    """The request is well formed but not allowed here (for example writing what we compute)."""

    code = "business-rule"
    issue = "business-rule"


class ForbiddenError(FhirmodError):
    """The caller was not granted what this asks for."""

    code = "forbidden"
    issue = "forbidden"


class NotFoundError(FhirmodError):
    """Nothing with this id was ever here."""

    code = "not-found"
    issue = "not-found"


class GoneError(FhirmodError):
    """It was here and was deleted."""

    code = "deleted"
    issue = "deleted"


class ConflictError(FhirmodError):
    """The same id was already used for something else."""

    code = "conflict"
    issue = "conflict"


class PreconditionFailedError(FhirmodError):
    """The caller's condition does not hold (stale version, several matches)."""

    code = "precondition-failed"
    issue = "conflict"


class NotSupportedError(FhirmodError):
    """The request asks for something this service does not do."""

    code = "not-supported"
    issue = "not-supported"


class BadParameterError(FhirmodError):
    """A parameter of the question (not of the record) cannot be understood."""

    code = "bad-parameter"
    issue = "value"


class TooLargeError(FhirmodError):
    """The document is larger than this service takes."""

    code = "too-large"
    issue = "too-long"


class NotComputableError(FhirmodError):
    """A number was asked for that its inputs do not determine."""

    code = "not-computable"
    issue = "value"


class UnavailableError(FhirmodError):
    """The store cannot answer now; asked again later it may."""

    code = "unavailable"
    issue = "transient"
