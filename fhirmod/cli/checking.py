"""How `fhirmod check` reads files and says what it found: a table in 80 columns, or JSON lines."""

import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field
from itertools import chain
from pathlib import Path
from textwrap import wrap

from fhirmod.errors import Finding
from fhirmod.exchange import check_text

WIDTH = 80
PROGRESS_EVERY = 10_000
FEW = 500  # lines: making ready for what is plain takes as long as the walks of about as many
_INDENT = " " * 12


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
    """How much was checked, how much of it is refused, and how many files could not be read."""

    documents: int = 0
    refused: int = 0
    findings: int = 0
    unread: int = 0

    @property
    def exit_code(self) -> int:
        """Return 2 if a file could not be read, else 1 if anything is refused, else 0."""
        return 2 if self.unread else int(self.refused > 0)


def check_files(files: list[Path], tally: Tally) -> Iterator[Found]:
    """Return the findings of files, one document at a time; a file of lines is never held whole.

    A file that cannot be read is said on stderr and counted, and the others are checked all the same.
    """
    for file in files:
        try:
            for line, text in _documents(file):
                found = check_text(text, many=line is not None and line > FEW)
                tally.documents += 1
                tally.refused += any(one.refuses for one in found)
                tally.findings += len(found)
                if tally.documents % PROGRESS_EVERY == 0:
                    print(f"{tally.documents} documents checked", file=sys.stderr)
                yield from (Found(file, line, one) for one in found)
        except OSError as wrong:
            tally.unread += 1
            why = wrong.strerror or "it cannot be read"
            print(f"The file {file} cannot be read ({why}); name a file of JSON or NDJSON.", file=sys.stderr)


def _documents(file: Path) -> Iterator[tuple[int | None, bytes]]:
    """Return the documents of a file: the whole of it, or one for each line of NDJSON."""
    with nullcontext(sys.stdin.buffer) if str(file) == "-" else file.open("rb") as opened:
        head = _head(opened)
        if file.suffix == ".ndjson" or of_lines(head):
            for number, text in enumerate(chain(head, opened), start=1):
                if text.strip():
                    yield number, text
        else:
            yield None, b"".join(head) + opened.read()


def _head(lines: Iterable[bytes]) -> list[bytes]:
    """Return the first lines up to the second that is not blank."""
    head: list[bytes] = []
    said = 0
    for line in lines:
        head.append(line)
        said += bool(line.strip())
        if said == 2:
            break
    return head


def of_lines(head: list[bytes]) -> bool:
    """Return whether each line is a document: a whole object, and on the next line another that begins.

    No single JSON document looks so: after an object there comes a comma or a closing bracket.
    """
    match [line.strip() for line in head if line.strip()]:
        case [first, second]:
            return first.startswith(b"{") and first.endswith(b"}") and second.startswith(b"{")
        case _:
            return False


def as_table(found: Found) -> Iterator[str]:
    """Return the lines that say a finding to a person."""
    finding = found.finding
    head = f"{finding.severity.upper():<12}{_shown(found.place)}"
    yield from wrap(head, WIDTH, subsequent_indent=_INDENT, break_on_hyphens=False)
    yield from wrap(
        _shown(finding.sentence), WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT, break_on_hyphens=False
    )


@dataclass
class Fold:
    """What a person reads of findings as they come: errors and warnings at once, information at the end, once each.

    Shape: information of one file with the same code and sentence is one finding and a count.
    """

    kept: dict[tuple[Path, str, str], tuple[Found, int]] = field(default_factory=dict)

    def now(self, found: Found) -> Iterator[str]:
        """Return the lines to show at once; information is kept."""
        one = found.finding
        if one.severity != "information":
            yield from as_table(found)
            return
        key = (found.file, one.code, one.sentence)
        first, count = self.kept.get(key, (found, 0))
        self.kept[key] = (first, count + 1)

    def rest(self) -> Iterator[str]:
        """Return the lines of what was kept."""
        for first, count in self.kept.values():
            if count == 1:
                yield from as_table(first)
            else:
                one = first.finding
                head = f"{one.severity.upper():<12}{_shown(str(first.file))}"
                yield from wrap(head, WIDTH, subsequent_indent=_INDENT, break_on_hyphens=False)
                text = _shown(f"{one.code} in {count} places: {one.sentence}")
                yield from wrap(text, WIDTH, initial_indent=_INDENT, subsequent_indent=_INDENT, break_on_hyphens=False)


def _shown(text: str) -> str:
    r"""Return a text with what steers a terminal written as its escape.

    >>> _shown("a" + chr(27) + "[31m")
    'a\\x1b[31m'
    """
    return "".join(sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text)


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
