"""How `fhirmod check` reads files and says what it found: a table in 80 columns, or JSON lines."""

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from textwrap import wrap

from fhirmod.errors import Finding, NotFoundError
from fhirmod.exchange import check_text

WIDTH = 80
_PROGRESS_EVERY = 10_000


@dataclass(frozen=True, slots=True)
class Found:
    """A finding and where it is: the file, and the line if the file has one document on each line."""

    file: Path
    line: int | None
    finding: Finding

    @property
    def place(self) -> str:
        """Return the file, the line, and the place inside the document."""
        at = str(self.file) if self.line is None else f"{self.file}:{self.line}"
        return f"{at} {self.finding.place}".rstrip()


@dataclass
class Tally:
    """How much was checked, and how much of it is refused."""

    documents: int = 0
    refused: int = 0
    findings: int = 0


def check_files(files: list[Path], tally: Tally) -> Iterator[Found]:
    """Return the findings of files, one document at a time; a file of lines is never held whole.

    Errors: NotFoundError if a file cannot be read.
    """
    for file in files:
        try:
            for line, text in _documents(file):
                found = check_text(text)
                tally.documents += 1
                tally.refused += any(one.refuses for one in found)
                tally.findings += len(found)
                if tally.documents % _PROGRESS_EVERY == 0:
                    print(f"{tally.documents} documents checked", file=sys.stderr)
                yield from (Found(file, line, one) for one in found)
        except OSError as wrong:
            why = wrong.strerror or "it cannot be read"
            raise NotFoundError(f"The file {file} cannot be read ({why}); name a file of JSON or NDJSON.") from None


def _documents(file: Path) -> Iterator[tuple[int | None, bytes]]:
    """Return the documents of a file: the whole of it, or one for each line of NDJSON."""
    with file.open("rb") as opened:
        first = opened.readline()
        second = opened.readline()
        lines = file.suffix == ".ndjson" or (_whole(first) and _whole(second))
        opened.seek(0)
        if not lines:
            yield None, opened.read()
            return
        for number, text in enumerate(opened, start=1):
            if text.strip():
                yield number, text


def _whole(line: bytes) -> bool:
    """Return whether a line looks like a whole JSON object."""
    text = line.strip()
    return text.startswith(b"{") and text.endswith(b"}")


def as_table(found: Found) -> Iterator[str]:
    """Return the lines that say a finding to a person."""
    finding = found.finding
    yield from wrap(f"{finding.severity.upper():<12}{found.place}", WIDTH, subsequent_indent=" " * 12)
    yield from wrap(finding.sentence, WIDTH, initial_indent=" " * 12, subsequent_indent=" " * 12)


def as_json(found: Found) -> str:
    """Return the line that says a finding to a program."""
    one = found.finding
    return json.dumps(
        {
            "file": str(found.file),
            "line": found.line,
            "severity": one.severity,
            "code": one.code,
            "issue": one.issue,
            "place": one.place,
            "sentence": one.sentence,
        }
    )
