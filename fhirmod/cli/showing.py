"""How an episode reads in a terminal: seven lines and a timeline, 80 columns, no colour needed."""

from collections.abc import Iterable, Iterator
from textwrap import wrap
from typing import Any

from fhirmod.compute import State
from fhirmod.episode import Absent, Entry
from fhirmod.exchange import CAUTIONS
from fhirmod.store import EpisodeRow

WIDTH = 80
_INDENT = " " * 15


def listed(row: EpisodeRow) -> str:
    """Return the line of one episode in a list: id, status, when and where it was opened."""
    drill = " drill" if row.drill else ""
    return f"{row.id}  {row.status:<6} {row.opened_at[:16].replace('T', ' ')} {row.facility[:11]}{drill}"


def seven_lines(state: State) -> Iterator[str]:
    """Return the first thing to read: what the record says now, in seven lines, and what it is not."""
    yield f"Episode {state.episode}"
    yield f"as of {state.as_of.isoformat(timespec='seconds')}"
    for line in state.lines():
        yield from _wrapped(f"{line.n} {line.name}", line.text)
    yield from wrap(CAUTIONS[0], WIDTH)


def timeline(entries: Iterable[Entry]) -> Iterator[str]:
    """Return one line (or a few) for each entry, in order of time: when, what, by whom."""
    day = ""
    for entry in entries:
        when = "time not known" if isinstance(entry.at, Absent) else entry.at.text
        if not isinstance(entry.at, Absent) and when[:10] != day:
            day = when[:10]
            yield day
        clock = when[11:16] or "all day" if when[:10] == day else when
        who = f" ({entry.performed_by.role or entry.performed_by.id})" if entry.performed_by else ""
        said = ", ".join(_said(entry)) + who
        yield from _wrapped(f"  {clock}", f"{entry.kind.replace('-', ' ')}: {said}" if said else entry.kind)


def _said(entry: Entry) -> Iterator[str]:
    """Return what an entry says beyond its envelope, field by field."""
    for name in type(entry).model_fields:
        if name in Entry.model_fields:
            continue
        value = getattr(entry, name)
        if value is not None and value is not False and value != ():
            yield f"{name.replace('_', ' ')} {_words(value)}"
    if entry.comment:
        yield entry.comment


_PICTURES = {code: 0x2400 + code for code in (*range(9), 11, 12, *range(14, 32))}


def _words(value: Any) -> str:
    match value:
        case Absent():
            return value.absent.replace("-", " ")
        case True:
            return "yes"
        case tuple():
            return " + ".join(map(_words, value))
        case str():
            return value.translate(_PICTURES)
        case _ if hasattr(value, "model_dump"):
            return " ".join(str(part) for part in value.model_dump(exclude_none=True).values())
        case _:
            return str(value)


def _wrapped(head: str, text: str) -> Iterator[str]:
    first, *rest = wrap(text, WIDTH - len(_INDENT)) or [""]
    yield f"{head:<{len(_INDENT)}}{first}" if len(head) < len(_INDENT) else f"{head} {first}"
    for line in rest:
        yield _INDENT + line
