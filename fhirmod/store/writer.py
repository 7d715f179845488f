"""What can be done to the store inside one transaction; each table gets one executemany."""

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from datetime import datetime
from itertools import chain, count
from typing import Any, NamedTuple

from sqlalchemy import Connection

from fhirmod.errors import ConflictError, NotFoundError

from . import changes as s
from .access import Access
from .jobs import JobWriter
from .prepared import Change
from .reader import as_head
from .rows import EntryRow, EpisodeRow, HeldRow, Key, OutboxRow, Put, Status, Value, Version, field, microseconds, short
from .search import IDENTIFIER

MOST_CLAIMS = 128
_Indexed = tuple[Any, ...]


class _Place(NamedTuple):
    """Where a resource stands: its row, its current version, and whether it was there before this call."""

    rid: int
    version: int
    old: bool


class OvertakenError(Exception):
    """Another transaction wrote first what this one was about to write: the work runs again."""


class Writer(JobWriter):
    """A `Reader` that also writes; what it wrote is kept if the work that was given it returns.

    Errors: the driver's IntegrityError where a caller's rows contradict the keys and no sentence fits better.
    """

    def __init__(self, connection: Connection) -> None:
        super().__init__(connection)
        self._shown: dict[Key, int] = {}
        self._concurrent = self._dialect.name == "postgresql"  # others write at the same time
        self._broken_key: type[Exception] = self._dialect.loaded_dbapi.IntegrityError

    # what is shown is remembered: who writes it then must still find it so

    def get(self, access: Access, type_: str, id_: str) -> Version | None:
        """Return the current version (it may be a deletion), or None if there never was one."""
        found = super().get(access, type_, id_)
        self._shown.setdefault((type_, id_), 0 if found is None else found.version)
        return found

    def get_many(self, access: Access, keys: Iterable[Key]) -> dict[Key, Version]:
        """Return the current versions of all those (type, id) that are there."""
        wanted = list(keys)
        found = super().get_many(access, wanted)
        for key in wanted:
            self._shown.setdefault(key, found[key].version if key in found else 0)
        return found

    # episodes

    def lock(self, access: Access, episode_id: str) -> EpisodeRow:
        """Return the head of the episode as it stands, held against other writers until the commit.

        Errors: NotFoundError if there is no such episode.
        """
        access.require("write")
        for row in self._rows(s.LOCK, (episode_id,)):
            return as_head(row)
        raise NotFoundError(f"There is no episode {episode_id!r}; open it first.")

    def take(self, access: Access, keys: Iterable[Key]) -> None:
        """Return nothing; these resources, and the episodes they are members of, are held until the commit.

        Shape: for works that look at a resource before they write it. What is not there yet cannot be held: a
               work that creates what another has created meanwhile runs again and finds it.
        """
        access.require("write")
        wanted = sorted(set(keys))
        if not wanted or not self._concurrent:
            return
        episodes = self._over(s.episodes_of, wanted)
        self._over(s.lock_episodes, sorted(set(map(tuple, episodes))))
        self._over(s.lock_resources, wanted)
        if not set(map(tuple, self._over(s.episodes_of, wanted))) <= set(map(tuple, episodes)):
            raise OvertakenError

    def claim(self, access: Access, names: Iterable[str]) -> None:
        """Return nothing; no other work that claims one of these names goes on until the commit.

        Shape: for what a lock on rows cannot hold: that something is *not* there. A work of very many names is
               alone with all of them, since the server keeps room for some thousands of such locks.
        """
        access.require("write")
        wanted = sorted(set(names))
        if wanted and self._concurrent:
            some = len(wanted) <= MOST_CLAIMS
            self._rows(s.CLAIM_SOME if some else s.CLAIM_ALL, ())
            if some:
                self._rows(s.CLAIM, (wanted,))

    def create_episode(self, access: Access, row: EpisodeRow) -> None:
        """Return nothing; the episode is there.

        Errors: ConflictError if one with this id is there already.
        """
        access.require("write")
        try:
            self._change(s.ADD_EPISODE, [row])
        except self._broken_key as error:
            raise ConflictError(f"Episode {row.id!r} was opened before; open a new one under a new id.") from error

    def bump(
        self, access: Access, episode_id: str, status: Status | None = None, *, stamp: str = "", adds: bool = False
    ) -> int:
        """Return the new version of the episode, one higher, its status set if one is given.

        Shape: `adds` where this version only adds to what was there; else `read_back` becomes it.
        Errors: NotFoundError if there is no such episode.
        """
        access.require("write")
        self.wrote = True
        if status is None:
            rows = self._rows(s.BUMP, (stamp, adds, episode_id))
        else:
            rows = self._rows(s.BUMP_STATUS, (status, stamp, adds, episode_id))
        for row in rows:
            return int(row[0])
        raise NotFoundError(f"There is no episode {episode_id!r}; open it first.")

    def join(
        self,
        access: Access,
        episode_id: str,
        episode_version: int,
        members: Iterable[tuple[str, str, str | None]],
    ) -> None:
        """Return nothing; these (type, id, basis) are members and all their versions show in this episode.

        Shape: for resources that are in another episode too, or were here before the episode was; the
               versions that this episode has not shown yet appear at `episode_version`.
        """
        access.require("write")
        rows = list(members)
        if rows and self._concurrent:  # a version that another is writing now must show here too
            self._over(s.lock_resources, sorted({(type_, id_) for type_, id_, _ in rows}))
        self._change(s.JOIN, [(episode_id, basis, type_, id_) for type_, id_, basis in rows])
        self._change(
            s.SHARE,
            [(episode_id, episode_version, type_, id_, episode_id, episode_id) for type_, id_, _ in rows],
        )

    # resources

    def put(self, access: Access, puts: Sequence[Put], updated: str, episode_version: int | None = None) -> list[int]:
        """Return the version number that each put got; the first version of a resource is 1.

        Shape: `episode_version` is that of the one episode which these puts name. A put of a member of
               further episodes is shown there by `join`. A membership keeps the first basis given.
        Errors: NotFoundError if something is deleted that was never there.
        """
        access.require("write")
        places = self._places(puts)
        fresh: list[tuple[object, ...]] = []
        versions: list[tuple[object, ...]] = []
        members: dict[tuple[int, str], tuple[object, ...]] = {}
        latest: dict[Key, tuple[int, Put]] = {}
        numbers = []
        for each in puts:
            _sound(each, episode_version)
            key = (each.type, each.id)
            place = places[key]
            number = place.version + 1 if key not in latest else latest[key][0] + 1
            if number == 1 and each.method == "DELETE":
                raise NotFoundError(f"There is no {each.type}/{each.id} to delete; name one that is here.")
            body = each.body(number, updated) if callable(each.body) else each.body
            at = episode_version if each.episode is not None else None
            versions.append((place.rid, number, updated, each.owner, each.method, body, each.episode, at))
            if each.episode is not None:
                members.setdefault((place.rid, each.episode), (place.rid, each.episode, each.basis))
            latest[key] = (number, each)
            numbers.append(number)
        moved = []
        when = microseconds(datetime.fromisoformat(updated))
        for key, (number, each) in latest.items():
            place = places[key]
            if place.old:
                moved.append((number, each.body is None, when, place.rid, place.version))
            else:
                fresh.append((place.rid, each.type, each.id, number, each.body is None, when))
        self._shown |= {key: number for key, (number, _) in latest.items()}
        self._change(s.ADD_RESOURCE, fresh)
        if self._change(s.MOVE_RESOURCE, moved) != len(moved):
            raise OvertakenError
        self._change(s.ADD_VERSION, versions)
        self._index(places, {key: each for key, (_, each) in latest.items()})
        self._change(s.ADD_MEMBER, list(members.values()))
        return numbers

    def reindex(self, access: Access, values: Mapping[Key, tuple[int, Sequence[Value]]]) -> None:
        """Return nothing; these resources are found by the values of this version of theirs and no others.

        Shape: one that has another version by now is left as it is: who wrote that has indexed it.
        """
        access.require("write")
        if self._concurrent:
            self._over(s.lock_resources, sorted(values))
        rids = {
            (type_, id_): rid
            for type_, id_, rid, version in self._over(s.places, list(values))
            if version and version == values[type_, id_][0]
        }
        wanted = {_row(rid, key[0], value) for key, rid in rids.items() for value in values[key][1]}
        self._replace(wanted, self._over(s.values_of, [(rid,) for rid in rids.values()]), s.DROP_VALUE, s.ADD_VALUE)

    def keep_up(self, access: Access, what: str) -> None:
        """Return nothing; this is done, and need not be made anew any more."""
        access.require("write")
        self._change(s.KEPT_UP, [(what,)])

    def claim_identity(self, access: Access, type_: str, system: str, value: str, id_: str) -> str:
        """Return the id of the resource that owns this identifier: `id_`, or that of an earlier claim.

        Shape: a claim holds as long as its resource is not yet written, or lives and carries the token
               ("identifier", system, value); then the next claim takes it over.
        """
        access.require("write")
        wanted = (type_, short(system), short(value))
        for owner, rid, deleted, carrying in self._rows(s.OWNER_OF_IDENTITY, (IDENTIFIER, *wanted)):
            if rid is None or (not deleted and carrying is not None):
                return str(owner)
            self._change(s.MOVE_IDENTITY, [(id_, *wanted)])
            return id_
        if self._change(s.ADD_IDENTITY, [(*wanted, id_)]) == 0:
            return self.claim_identity(access, type_, system, value, id_)  # another was faster by a moment
        return id_

    # entries and what leaves

    def log_entries(self, access: Access, rows: Sequence[EntryRow]) -> None:
        """Return nothing; these entries count as accepted.

        Errors: ConflictError if one of them was accepted before; let it end the work (`entries` asks first).
        """
        access.require("write")
        try:
            self._change(s.ADD_ENTRY, rows)
        except self._broken_key as error:
            named = ", ".join(repr(row.entry_id) for row in rows)
            raise ConflictError(
                f"One of the entries {named} was accepted before; send a new entry under a new id."
            ) from error

    def hold(self, access: Access, rows: Sequence[HeldRow]) -> None:
        """Return nothing; these wait in their episodes, in place of what had the same keys."""
        access.require("write")
        self._change(s.RELEASE, [(row.episode_id, row.key) for row in rows])
        self._change(s.ADD_HELD, rows)

    def release(self, access: Access, episode_id: str, keys: Iterable[str]) -> None:
        """Return nothing; these wait no more."""
        access.require("write")
        self._change(s.RELEASE, [(episode_id, key) for key in keys])

    def outbox(self, access: Access, rows: Sequence[OutboxRow]) -> None:
        """Return nothing; these are to be sent."""
        access.require("write")
        self._change(s.ADD_OUTBOX, rows)

    def tell_once(self, access: Access, key: str, row: OutboxRow) -> bool:
        """Return whether this was to be sent: never if a row was told under this key before, sent or not."""
        access.require("write")
        if not self._change(s.ADD_TOLD, [(key, row.written_at)]):
            return False
        self._change(s.ADD_OUTBOX, [row])
        return True

    def sent(self, access: Access, numbers: Iterable[int]) -> None:
        """Return nothing; these need not be sent again."""
        access.require("write")
        self._change(s.SENT, [(number,) for number in numbers])

    # how statements run

    def _places(self, puts: Sequence[Put]) -> dict[Key, _Place]:
        """Return the place of every resource that is put: its own, or a new one behind the last.

        Errors: OvertakenError if another has written one of them since it was shown here.
        """
        keys = list(dict.fromkeys((each.type, each.id) for each in puts))
        places: dict[Key, _Place] = {}
        fresh: list[int] = []
        highest = 0
        for type_, id_, rid, number in self._over(s.places, keys):
            if number:
                places[type_, id_] = _Place(rid, number, old=True)
                if self._shown.get((type_, id_), number) != number:
                    raise OvertakenError
            elif type_:
                fresh.append(rid)
            else:
                highest = rid
        numbers = chain(sorted(fresh), count(highest + 1))  # those the database gave, else the next ones
        for key in keys:
            if key not in places:
                places[key] = _Place(next(numbers), 0, old=False)
        return places

    def _index(self, places: Mapping[Key, _Place], puts: Mapping[Key, Put]) -> None:
        """Return nothing; the tokens and references in the index are those of the latest puts.

        Only differences are written: a computed value updated in place mostly keeps its tokens, and each row
        saved is two pages less in the log.
        """
        old = [(place.rid,) for place in places.values() if place.old]
        live = {key: each for key, each in puts.items() if each.body is not None}
        tokens = {
            (places[key].rid, param, short(value), short(system), key[0])
            for key, each in live.items()
            for param, system, value in each.tokens
        }
        references = {
            (places[key].rid, param, target, target_id, key[0])
            for key, each in live.items()
            for param, target, target_id in each.references
        }
        self._replace(tokens, self._over(s.tokens_of, old), s.DROP_TOKEN, s.ADD_TOKEN)
        self._replace(references, self._over(s.references_of, old), s.DROP_REFERENCE, s.ADD_REFERENCE)

        values = {_row(places[key].rid, key[0], value) for key, each in live.items() for value in each.values}
        self._replace(values, self._over(s.values_of, old), s.DROP_VALUE, s.ADD_VALUE)

    def _replace(self, wanted: AbstractSet[_Indexed], rows: Sequence[Any], drop: Change, add: Change) -> None:
        there: AbstractSet[Any] = set(map(tuple, rows))
        self._change(drop, sorted(there - wanted))
        new: AbstractSet[Any] = wanted - there
        self._change(add, sorted(new))


def _row(rid: int, type_: str, value: Value) -> _Indexed:
    """Return a value as its row stands in the table."""
    return (rid, field(type_, value[0]), *value[1:])


def _sound(each: Put, episode_version: int | None) -> None:
    """Return nothing if the put can be written.

    Errors: ValueError if its parts contradict each other (a fault of the caller, never of what was sent).
    """
    if (each.body is None) != (each.method == "DELETE"):
        raise ValueError(f"{each.type}/{each.id}: a DELETE has no body and every other method has one.")
    if each.episode is not None and episode_version is None:
        raise ValueError(f"{each.type}/{each.id}: a put into episode {each.episode!r} needs the episode's version.")
