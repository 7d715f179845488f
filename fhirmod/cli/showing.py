"""How an episode reads in a terminal: seven lines, the findings, a timeline; 80 columns, no colour needed."""

import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from textwrap import wrap
from typing import TYPE_CHECKING

from fhirmod.compute import Line, State
from fhirmod.episode import Absent, Entry, Episode, Opening, Placement, Retraction
from fhirmod.errors import Finding
from fhirmod.exchange import CAUTIONS

from .wording import reads

if TYPE_CHECKING:
    from fhirmod.store import EpisodeRow

WIDTH = 80
_LINES, _TIMELINE = 12, 27
_MISSING = frozenset({"not-recorded", "not-known", "not-assessable", "not-applicable", "not-yet"})
_INSTANT = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(?::\d\d(?:\.\d+)?)?(?:Z|[+-]\d\d:\d\d)")
_BARE = frozenset({"note"})
_CERTAINTY = {"by-state": "by what was seen or done, not by the sum"}
_MORE = f"{len(CAUTIONS) - 1} more cautions stand in every state (`cautions`) and in fhirmod.exchange.CAUTIONS."
PART_WORDS = {  # a part of the state -> what people call it
    "axes": "where the episode stands",
    "balloons": "balloons",
    "in_place": "what is in place",
    "packs": "packs",
    "loss": "blood loss",
    "loss_classes": "classes of loss",
    "haemodynamics": "vital signs",
    "fundus": "fundus",
    "warning": "warning criteria",
    "watch": "checks due",
    "timings": "timings",
    "txa": "tranexamic acid",
    "resuscitation": "what was given",
    "urine": "urine",
    "haemoglobin": "haemoglobin",
    "stops": "stops",
    "care": "who has care",
    "copy": "custody of this copy",
    "near_miss": "near-miss criteria",
}
_TIERS = (("now", "NOW"), ("soon", "SOON"), ("review", "REVIEW"), (None, "ALSO"))


def listed(row: "EpisodeRow") -> str:
    """Return the line of one episode in a list: id, status, when and where it was opened."""
    drill = " drill" if row.drill else ""
    return f"{row.id}  {row.status:<6} {row.opened_at[:16].replace('T', ' ')} {row.facility[:11]}{drill}"


def shown(episode: Episode, state: State, unread: Iterable[str] = (), *, at_last: bool = False) -> Iterator[str]:
    """Return everything that is to be said of an episode as of a moment: that of its last entry, if `at_last`."""
    yield f"Episode {state.episode}{' DRILL' if _is_drill(episode) else ''}"
    yield f"as of {'the last entry, ' if at_last else ''}{state.as_of.isoformat(sep=' ', timespec='minutes')}"
    yield from seven_lines(state)
    yield from wrap(f"{CAUTIONS[0]} {_MORE}", WIDTH)
    yield from _found(state.findings)
    yield from _unread(unread)
    yield ""
    yield from timeline(episode, as_of=state.as_of)


def seven_lines(state: State) -> Iterator[str]:
    """Return the seven lines, and below them what may be wrong in them because something was not read."""
    for line in state.lines():
        yield from _wrapped(f"{line.n} {line.name}", _told(line, state), _LINES)
    if state.incomplete:
        parts = ", ".join(PART_WORDS[name] for name in state.incomplete)
        yield from _wrapped("INCOMPLETE", f"Not all that was received could be read; it may change: {parts}.", _LINES)


def _is_drill(episode: Episode) -> bool:
    return any(isinstance(one, Opening) and one.drill for one in episode.standing())


def timeline(episode: Episode, *, as_of: datetime) -> Iterator[str]:
    """Return one line (or a few) for each entry that stands, in order of time, then what was taken back."""
    entries = episode.standing(as_of=as_of)
    number_of = {one.id: n for n, one in enumerate((one for one in entries if isinstance(one, Placement)), start=1)}
    for day, group in groupby(entries, key=_day):
        yield day
        for entry in group:
            head = f"  {_clock(entry):<6}{entry.kind.replace('-', ' ')}"
            yield from _wrapped(head, reads(entry, number_of), _TIMELINE)
    yield from _taken_back(episode, entries)


def _day(entry: Entry) -> str:
    return "time not known" if isinstance(entry.at, Absent) else entry.at.text[:10]


def _clock(entry: Entry) -> str:
    return "" if isinstance(entry.at, Absent) else entry.at.text[11:16]


def _taken_back(episode: Episode, standing: Iterable[Entry]) -> Iterator[str]:
    stand = {one.id for one in standing}
    retractions = [one.entry for one in episode.received if isinstance(one.entry, Retraction)]
    gone = [(one, episode.by_id[one.retracts].entry) for one in retractions if one.retracts in episode.by_id]
    gone = [(retraction, entry) for retraction, entry in gone if entry.id not in stand]
    if gone:
        yield "taken back"
    for retraction, entry in gone:
        head = f"  {_clock(entry):<6}{entry.kind.replace('-', ' ')}"
        yield from _wrapped(head, f"{retraction.cause.replace('-', ' ')}: {retraction.reason}", _TIMELINE)


def _told(line: Line, state: State) -> str:
    """Return one of the seven lines: what is said first, then what is missing, each reason once."""
    said: list[str] = []
    missing: dict[str, list[str]] = {}
    held = False
    for part in line.parts:
        value = _CERTAINTY.get(part.value, part.value) if part.name == "certainty" else _short(part.value, state.as_of)
        if part.name == "incomplete":  # one line below the seven says it
            continue
        if part.name == "shock index age" and held and (set_of := _another_set(state)) is not None:
            said[-1] += f" of {_short(set_of.isoformat(), state.as_of)}"
        elif part.name.endswith(" age"):
            if held and part.value not in _MISSING:
                said[-1] += f" ({_ago(part.value)})"
        elif part.value in _MISSING and part.name != line.name:
            missing.setdefault(part.value.replace("-", " "), []).append(part.name)
            held = False
        else:
            bare = part.name == line.name or part.name in _BARE
            said.append(value.replace("not-", "not ") if bare else f"{part.name} {value}")
            held = True
    return "; ".join([*said, *(f"{word}: {', '.join(names)}" for word, names in missing.items())])


def _another_set(state: State) -> datetime | None:
    """Return the time of the set that the shock index is of, if a pressure or pulse shown is of another."""
    signs = state.haemodynamics
    at = signs.shock_index.at
    return at if isinstance(at, datetime) and {signs.pressure.at, signs.pulse_per_min.at} != {at} else None


def _short(text: str, as_of: datetime) -> str:
    """Return a text with its instants as clock times, with the day where it is another than that of `as_of`."""
    day = as_of.date().isoformat()
    return _INSTANT.sub(lambda found: found[2] if found[1] == day else f"{found[1]} {found[2]}", text)


def _ago(text: str) -> str:
    """Return an age in minutes as people say it.

    >>> _ago("33 min"), _ago("190.5 min"), _ago("387924.20 min")
    ('33 min ago', '3 h 10 min ago', '269 days ago')
    """
    minutes = int(Decimal(text.removesuffix(" min")))
    if minutes < 120:
        return f"{minutes} min ago"
    return f"{minutes // 60} h {minutes % 60:02} min ago" if minutes < 48 * 60 else f"{minutes // 1440} days ago"


def _found(findings: Iterable[Finding]) -> Iterator[str]:
    for tier, word in _TIERS:
        for one in findings:
            if one.tier == tier:
                yield from _wrapped(word, one.sentence, _LINES)


def _unread(unread: Iterable[str]) -> Iterator[str]:
    for one in unread:
        yield from _wrapped("UNREAD", one, _LINES)


def _wrapped(head: str, text: str, indent: int) -> Iterator[str]:
    first, *rest = wrap(text, WIDTH - indent - 1, break_on_hyphens=False) or [""]
    yield f"{head:<{indent}} {first}".rstrip()
    for line in rest:
        yield " " * (indent + 1) + line
