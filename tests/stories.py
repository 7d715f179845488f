"""Invented stories of an episode, for laws: `stories` has every kind in each and odd fields, `plausible` what is likely.

Most entries lie in a plausible order of time; some keep an odd time (a date, not known, another day), because real
records do.
"""

from datetime import datetime, timedelta
from typing import Any

from hypothesis import strategies as st

from fhirmod.episode import KINDS, Entry, Episode, Received, read_entry
from fhirmod.stories import LEVELS, Level, story
from fhirmod.stories import Story as Told
from tests.any_entry import any_entry

START = datetime.fromisoformat("2026-03-01T02:00:00+01:00")
_MANY = ("vital-signs", "bleeding-response", "uterine-check", "blood-loss", "fill", "withdrawal", "medication")
_ORDER = [kind for kind in KINDS if kind != "retraction"]
_NAMES = ("placement", "preparation")
_LAST = ("outcome", "follow-up", "sign-off")


class Story(tuple[Entry, ...]):
    """The entries of one story; printed short, because a failing test prints it."""

    __slots__ = ()

    def __repr__(self) -> str:
        return f"<{len(self)} entries: {', '.join(f'{entry.kind} {entry.at}' for entry in self)}>"


@st.composite
def stories(draw: st.DrawFn, *, dies: bool | None = None) -> tuple[Entry, ...]:
    """Return a strategy for stories: one entry of every kind or more, corrections, a retraction.

    Shape: `dies` True makes her die at the end, False keeps her alive, None leaves it to chance.
    """
    kinds = [*_ORDER, *draw(st.lists(st.sampled_from(_MANY), min_size=3, max_size=20))]
    kinds.sort(key=lambda kind: (kind in _LAST, draw(st.integers(0, 9)) == 0, _ORDER.index(kind)))
    entries: list[Entry] = []
    minute = 0
    for kind in kinds:
        minute += draw(st.integers(0, 20))
        entries.append(_placed(draw, draw(any_entry(kind)), minute))
    ids = {name: [entry.id for entry in entries if entry.kind == kind] for name, kind in _KIND_NAMED.items()}
    entries = [_told(entry, _named(draw, entry, ids) | _fate(entry, minute, dies)) for entry in entries]
    for _ in range(draw(st.integers(1, 3))):
        target = draw(st.sampled_from(entries))
        if dies is not None and target.kind in ("outcome", "follow-up"):
            continue
        new = _placed(draw, draw(any_entry(target.kind)), minute)
        entries.append(_told(new, _named(draw, new, ids) | {"corrects": target.id, "reason": "a slip"}))
    taken_back = draw(st.sampled_from([entry for entry in entries if entry.kind not in ("outcome", "follow-up")]))
    retraction = _placed(draw, draw(any_entry("retraction")), minute)
    entries.append(_told(retraction, {"retracts": taken_back.id}))
    return Story(entries)


def plausible(*levels: Level) -> st.SearchStrategy[Told]:
    """Return a strategy for stories as the generator tells them, spoilt at one of the levels (any without one)."""
    dirt = st.sampled_from(levels or LEVELS)
    return st.builds(lambda seed, level: story(seed, dirt=level), st.integers(0, 10**9), dirt)


_KIND_NAMED = {"placement": "placement", "preparation": "balloon-preparation"}


def received(story: tuple[Entry, ...]) -> list[Received]:
    """Return each entry as received one minute after the one before it."""
    return [Received(entry, START + timedelta(minutes=number)) for number, entry in enumerate(story)]


def episode(items: list[Received]) -> Episode:
    """Return an episode of what was received."""
    return Episode("story").adding(items)


def _placed(draw: st.DrawFn, entry: Entry, minute: int) -> Entry:
    """Return the entry at a minute of the story, or one time in eight at the odd time it was drawn with."""
    if draw(st.integers(0, 7)) == 0:
        return entry
    at = START + timedelta(minutes=minute)
    recorded = at + timedelta(minutes=draw(st.integers(0, 3)))
    return _told(entry, {"at": at.isoformat(), "recorded_at": recorded.isoformat()})


def _named(draw: st.DrawFn, entry: Entry, ids: dict[str, list[str]]) -> dict[str, Any]:
    """Return the balloon or preparation an entry names, one of the story's, if it names one at all."""
    return {name: draw(st.sampled_from(ids[name])) for name in _NAMES if getattr(entry, name, None) is not None}


def _fate(entry: Entry, minute: int, dies: bool | None) -> dict[str, Any]:
    if dies is None or entry.kind not in ("outcome", "follow-up"):
        return {}
    end = (START + timedelta(minutes=minute)).isoformat()
    fate: dict[str, Any] = {"status": "died" if dies and entry.kind == "outcome" else "alive", "disposition": None}
    return {name: one for name, one in fate.items() if name in type(entry).model_fields} | {
        "at": end, "recorded_at": end, "at_range": None, "clock_skew_s": None,
    }  # fmt: skip


def _told(entry: Entry, changes: dict[str, Any]) -> Entry:
    document = entry.document() | changes
    return read_entry({name: value for name, value in document.items() if value is not None})
