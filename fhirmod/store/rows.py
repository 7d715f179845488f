"""What goes into the store and comes out of it: plain rows, times and bodies exactly as they were given."""

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from functools import cache
from hashlib import sha256
from typing import Any, Literal, NamedTuple

Owner = Literal["asserted", "assembled", "derived"]
Method = Literal["POST", "PUT", "DELETE"]
Status = Literal["open", "closed"]
Waiting = Literal["repair", "original"]
Key = tuple[str, str]  # (resource type, id)
Body = bytes | Callable[[int, str], bytes]
Value = tuple[str, str, str, float, float]  # (param, text, scope, low, high)
_SURELY_SHORT, _LONGEST_KEY, _KEPT = 250, 1000, 900
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def microseconds(moment: datetime) -> float:
    """Return a moment as the indexes hold it.

    >>> microseconds(datetime.fromisoformat("2026-03-01T10:00:00.5Z"))
    1772359200500000.0
    """
    return float((moment - _EPOCH) // timedelta(microseconds=1))


def short(text: str) -> str:
    """Return a text as the index of identifiers holds it: beyond 1,000 bytes it is cut, and told apart by a hash.

    PostgreSQL takes at most 2,700 bytes in a row of an index, and an identifier is compared whole or not at all.

    >>> short("W-17"), len(short("x" * 5000)), short("x" * 5000) == short("x" * 5001)
    ('W-17', 964, False)
    """
    if len(text) <= _SURELY_SHORT or len(raw := text.encode()) <= _LONGEST_KEY:
        return text
    return raw[:_KEPT].decode(errors="ignore") + sha256(raw).hexdigest()


@cache
def field(type_: str, param: str) -> int:
    """Return the number that stands for a parameter of a type in the index: it is in every row, and a name is long.

    Shape: 31 bits of a hash, so that no list is kept; a test holds that no two of R4's share one.

    >>> field("Observation", "code"), field("Procedure", "code")
    (1397518552, 1678998637)
    """
    return int.from_bytes(sha256(f"{type_}.{param}".encode()).digest()[:4], "big") >> 1


class Version(NamedTuple):
    """One version of one resource; `body` is None where this version is a deletion."""

    type: str
    id: str
    version: int
    updated: str
    owner: Owner
    method: Method
    body: bytes | None
    episode_version: int | None


class Put(NamedTuple):
    """A version to be written, with what it is found by and the episode it belongs to.

    Shape: `body` is None for DELETE only; a callable gets (version, updated) and returns the bytes, since
           meta.versionId stands inside the text. `tokens` are (param, system, value), system "" for none;
           `references` are (param, type, id); `values` are what every other search parameter finds. `basis`
           says why it is a member of `episode`.
    """

    type: str
    id: str
    owner: Owner
    method: Method
    body: Body | None
    tokens: tuple[tuple[str, str, str], ...] = ()
    references: tuple[tuple[str, str, str], ...] = ()
    episode: str | None = None
    basis: str | None = None
    values: tuple[Value, ...] = ()


class EpisodeRow(NamedTuple):
    """The head of an episode: what is locked, and what lists of episodes show.

    Shape: `version` counts accepted writes; `protocol` and `software` are the caller's own words for the
           site protocol (id and hash) and the software that opened it. `stamp` is unique to each version ever
           attempted, so that what was cached for a version that was rolled back is never taken for its successor.
           `kept_for` are the caller's words for the facilities this copy is kept for. `read_back` is the last
           version that did more than add to the episode: who knows it as it was then, or later, needs what is newer.
    """

    id: str
    version: int
    anchor_type: str
    anchor_id: str
    opened_at: str
    facility: str
    status: Status = "open"
    drill: bool = False
    protocol: str = ""
    software: str = ""
    stamp: str = ""
    kept_for: str = ""
    read_back: int = 0


class EntryRow(NamedTuple):
    """That an entry was accepted: its digest tells a repeat from a conflict."""

    entry_id: str
    digest: bytes
    received_at: str
    episode_id: str


class HeldRow(NamedTuple):
    """An entry that is kept but not yet part of the record: its raw bytes and the sentence that says why.

    Shape: `key` is unique in the episode (holding the same key again replaces it); `waiting` for "repair",
           or for the "original" that it corrects, named in `waits_for`.
    """

    episode_id: str
    key: str
    waiting: Waiting
    waits_for: str | None
    entry_id: str | None
    body: bytes
    sentence: str
    received_at: str


class OutboxRow(NamedTuple):
    """Something to be told to somebody else, written in the transaction that made it true."""

    topic: str
    subject: str
    payload: bytes
    written_at: str


class JobRow(NamedTuple):
    """Something to be done at a time or soon after; there is never another of its kind and key."""

    kind: str
    key: str
    due_at: datetime
    payload: bytes = b""


class Job(NamedTuple):
    """A job as it stands.

    Shape: `due_at` is its time, or when the lease on it ends, to the millisecond; `attempts` counts the leases since
           it last went well; `holder` names the lease; `error` is the code of the last failure.
    """

    seq: int
    kind: str
    key: str
    payload: bytes
    state: Literal["waiting", "dead"]
    due_at: datetime
    attempts: int
    holder: str | None
    again_at: datetime | None
    error: str | None

    @classmethod
    def of(cls, row: Sequence[Any]) -> "Job":
        """Return the job that a row of the table is."""
        found = cls._make(row)
        again = None if row[8] is None else instant(row[8])
        return found._replace(payload=bytes(row[3]), due_at=instant(row[5]), again_at=again)


def ms(moment: datetime) -> int:
    """Return the whole milliseconds since 1970 of an instant, which compare as numbers do."""
    return (moment - _EPOCH) // timedelta(milliseconds=1)


def instant(milliseconds: int) -> datetime:
    """Return the instant that so many milliseconds since 1970 are."""
    return _EPOCH + timedelta(milliseconds=milliseconds)


class Page(NamedTuple):
    """A page of current versions, the cursor of the next one, and how many matched at the first page if counted."""

    versions: list[Version]
    next: str | None
    total: int | None
