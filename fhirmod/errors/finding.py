"""The one kind of finding that every check returns."""

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fhirmod.sources import Source

Severity = Literal["fatal", "error", "warning", "information"]
Tier = Literal["now", "soon", "review"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a check says: how bad, what, where, in one sentence.

    Shape: `code` is ours and stable (kebab-case); `issue` is the R4 issue type; `place` is a FHIRPath
           (or entry field path) that resolves in the input; `sentence` states what was wrong, what was
           got and what would be right. No patient data beyond ids. What a rule finds also has the `key` that stays
           the same while its cause stands, `since` when, until when a named person's acknowledgement keeps it quiet,
           and the `parameters` of the site protocol that decided it, each with its value, source and mark.
    Source: http://hl7.org/fhir/R4/valueset-issue-type.html for `issue`.
    """

    severity: Severity
    code: str
    issue: str
    place: str
    sentence: str
    tier: Tier | None = None
    source: Source | None = None
    key: str | None = None
    since: datetime | None = None
    acknowledged_until: datetime | None = None
    parameters: tuple[str, ...] = ()

    @property
    def refuses(self) -> bool:
        """Return whether this finding refuses the input (a contract broken), rather than warns."""
        return self.severity in ("fatal", "error")
