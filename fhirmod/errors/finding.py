"""The one kind of finding that every check returns."""

from dataclasses import dataclass
from typing import Literal

from fhirmod.sources import Source

Severity = Literal["fatal", "error", "warning", "information"]
Tier = Literal["now", "soon", "review"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check says: how bad, what, where, in one sentence.

    Shape: `code` is ours and stable (kebab-case); `issue` is the R4 issue type; `place` is a FHIRPath
           (or entry field path) that resolves in the input; `sentence` states what was wrong, what was
           got and what would be right. No patient data beyond ids.
    Source: http://hl7.org/fhir/R4/valueset-issue-type.html for `issue`.
    """

    severity: Severity
    code: str
    issue: str
    place: str
    sentence: str
    tier: Tier | None = None
    source: Source | None = None

    @property
    def refuses(self) -> bool:
        """Return whether this finding refuses the input (a contract broken), rather than warns."""
        return self.severity in ("fatal", "error")
