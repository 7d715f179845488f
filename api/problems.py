"""From errors to answers: one table from leaf to status, and the two shapes an error takes."""

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.responses import Response

from fhirmod.errors import (
    BadParameterError,
    BusinessRuleError,
    ConflictError,
    FhirmodError,
    Finding,
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
from fhirmod.intake import finding_document
from fhirmod.r4 import dump

STATUS: dict[type[FhirmodError], int] = {
    FhirmodError: 500,
    UnreadableError: 400,
    BadParameterError: 400,
    NotSupportedError: 400,
    NotFoundError: 404,
    ForbiddenError: 403,
    ConflictError: 409,
    GoneError: 410,
    PreconditionFailedError: 412,
    TooLargeError: 413,
    InvalidError: 422,
    BusinessRuleError: 422,
    NotComputableError: 422,
    UnavailableError: 503,
}
FHIR_JSON = "application/fhir+json; charset=utf-8"
JSON = "application/json; charset=utf-8"
AGAIN_S = 1  # after how many seconds who was turned away may come again
CHALLENGE = 'Bearer realm="fhirmod"'  # RFC 6750, 3


class RefusedRequest(Exception):  # noqa: N818  a refusal of HTTP's own kind, not of the record
    """A request that HTTP itself refuses: method, media type, unknown address."""

    def __init__(
        self, status: int, issue: str, sentence: str, headers: Mapping[str, str] | None = None, *, place: str = ""
    ) -> None:
        super().__init__(sentence)
        self.status = status
        self.headers = dict(headers or {})
        self.finding = Finding("error", f"http-{status}", issue, place, sentence)


def outcome(findings: Sequence[Finding]) -> dict[str, Any]:
    """Return the findings as an OperationOutcome."""
    return {"resourceType": "OperationOutcome", "issue": [_issue(finding) for finding in findings]}


def _issue(finding: Finding) -> dict[str, Any]:
    issue: dict[str, Any] = {
        "severity": finding.severity,
        "code": finding.issue,
        "details": {"coding": [{"system": _CODES, "code": finding.code}], "text": finding.sentence},
        "diagnostics": finding.sentence,
    }
    return issue | {"expression": [finding.place]} if finding.place else issue


def as_fhir(status: int, findings: Sequence[Finding], headers: Mapping[str, str] | None = None) -> Response:
    """Return an answer that is an OperationOutcome."""
    return Response(dump(outcome(findings)), status, dict(headers or {}), FHIR_JSON)


def as_json(status: int, findings: Sequence[Finding], headers: Mapping[str, str] | None = None) -> Response:
    """Return an answer with the same findings as plain JSON."""
    body = dump({"findings": [finding_document(finding) for finding in findings]})
    return Response(body, status, dict(headers or {}), JSON)


def headers_of(error: FhirmodError) -> dict[str, str]:
    """Return the headers that the answer to an error carries.

    Source: RFC 6750, 3; RFC 9110, 15.6.4 (503 with Retry-After).
    """
    match STATUS[type(error)]:
        case 403:
            return {"WWW-Authenticate": f'{CHALLENGE}, error="insufficient_scope"'}
        case 503:
            return {"Retry-After": str(AGAIN_S)}
        case _:
            return {}


def status_of(error: FhirmodError) -> int:
    """Return the HTTP status of an error."""
    return STATUS[type(error)]


UNEXPECTED = Finding(
    "fatal",
    "unexpected",
    "exception",
    "",
    "Something went wrong here, not in the request; nothing was written. The request id leads to it in the log.",
)
_CODES = "https://fhirmod.example.org/fhir/CodeSystem/finding"
