"""What can be asked of the store; every answer of one `Reader` comes from one moment of it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any, Literal

from sqlalchemy import Connection

from . import statements as s
from .access import Access
from .compartment import gathered
from .cursors import Cursor, read_cursor, write_cursor
from .paging import FEW_MATCHES, paged, total, walked, walks
from .past import FEW, Past, changes, few
from .past import total as total_of_versions
from .prepared import CHUNK, Filled, Prepared
from .rows import EntryRow, EpisodeRow, HeldRow, Job, Key, OutboxRow, Owner, Page, Status, Version, instant, short
from .search import IDENTIFIER, Search, planned, sampled
from .sought import Criterion, Order, Values, form
from .statements import VERSION


class Reader:
    """A view of the store inside one transaction; good until the work that was given it returns.

    Errors: ForbiddenError from every call whose `Access` lacks the scope "read" (or "write").
    """

    def __init__(self, connection: Connection) -> None:
        self._connection: Any = connection
        self._dialect = connection.dialect
        self._cursor: Any = cursor_of(connection)
        self.statements = 0

    def finish(self) -> None:
        """Return nothing; afterwards this reader answers no more."""
        self._cursor.close()
        self._cursor = self._connection = _Finished()

    # resources

    def get(self, access: Access, type_: str, id_: str) -> Version | None:
        """Return the current version (it may be a deletion), or None if there never was one."""
        access.require("read")
        return next(map(Version._make, self._rows(s.GET, (type_, id_))), None)

    def get_many(self, access: Access, keys: Iterable[Key]) -> dict[Key, Version]:
        """Return the current versions of all those (type, id) that are there."""
        access.require("read")
        rows = self._over(s.current, list(dict.fromkeys(keys)))
        return {(row[0], row[1]): Version._make(row) for row in rows}

    def vread(self, access: Access, type_: str, id_: str, version: int) -> Version | None:
        """Return that version, or None if there never was one."""
        access.require("read")
        return next(map(Version._make, self._rows(s.VREAD, (type_, id_, version))), None)

    def history(self, access: Access, type_: str, id_: str) -> list[Version]:
        """Return all versions, newest first."""
        access.require("read")
        return list(map(Version._make, self._rows(s.HISTORY, (type_, id_))))

    def past(self, access: Access, asked: Past, count: int) -> tuple[list[Version], int | None]:
        """Return a page of versions, last written first, and the number that `before` takes for those behind it."""
        access.require("read")
        rare = asked.id is None and asked.type is not None and self._select(few(asked.type))[0][0] <= FEW
        rows = self._select(changes(asked, count + 1, rare=rare)) if count else []
        following = rows[count - 1][-1] if len(rows) > count else None
        return [Version._make(row[:-1]) for row in rows[:count]], following

    def versions(self, access: Access, type_: str, id_: str) -> int:
        """Return how many versions of one resource there are."""
        access.require("read")
        return int(self._select(total_of_versions(type_, id_))[0][0])

    def identified(self, access: Access, type_: str, system: str, value: str) -> list[str]:
        """Return the ids of living resources that carry this identifier, oldest first."""
        access.require("read")
        return [row[0] for row in self._rows(s.IDENTIFIED, (type_, IDENTIFIER, short(value), short(system)))]

    def referrers(self, access: Access, type_: str, id_: str) -> list[tuple[str, str, str]]:
        """Return (type, id, param) of the living resources that refer to this one, oldest first."""
        access.require("read")
        return [(row[0], row[1], row[2]) for row in self._rows(s.REFERRERS, (id_, type_))]

    def search(
        self,
        access: Access,
        type_: str,
        criteria: Sequence[Criterion] = (),
        *,
        orders: Sequence[Order] = (),
        after: str | None = None,
        count: int,
        counted: bool | None = True,
    ) -> Page:
        """Return a page of the living resources that meet every criterion, in these orders, else that of first writing.

        Shape: `after` is the `next` of the page before; what is inserted meanwhile comes where it belongs behind it,
               and `total` stays that of page 1; `counted` None counts where matches are few.
        Errors: InvalidError if `after` is not a cursor of this store.
        """
        access.require("read")
        order = tuple(orders)
        behind = read_cursor(after, [one.column for one in order])
        names: Values = {}
        forms = tuple(form(one, names) for one in criteria)
        values: dict[str, object] = {name: value for value, name in names.items()}
        sample = sampled(type_, forms, weighed=bool(order))
        search = planned(type_, forms, self._filled(sample, values)[0] if sample is not None else ())
        values |= {"count": count + 1, "rid": 0} | ({} if behind is None else behind.named())
        there = None if behind is None else tuple(key is not None for key in behind.keys)
        rows: list[Any] = []
        if count and walks(search, order) and there in (None, (True,)):
            rows = self._filled(walked(search, order[0], behind=there is not None), values)
        if count and len(rows) <= count:
            rows = self._filled(paged(search, order, there), values)
        whole = len(rows) if 0 < count >= len(rows) else None  # the page holds all there is
        known = behind.total if behind is not None else self._total(search, values, whole, counted=counted)
        following = None
        if len(rows) > count:
            rid, *keys = rows[count - 1][len(VERSION) :]
            following = write_cursor(Cursor(known, rid, tuple(keys)))
        versions = [Version._make(row[: len(VERSION)]) for row in rows[:count]]
        return Page(versions, following, known)

    def _total(
        self, search: Search, values: dict[str, object], whole: int | None, *, counted: bool | None
    ) -> int | None:
        """Return how many match, which may be known; None where they are not counted."""
        if counted is False:
            return None
        if whole is not None:
            return whole
        if counted is None and not search.rare and search.criteria:
            return None  # there are many, and each may cost probes
        found = int(self._filled(total(search, few=counted is None), values)[0][0])
        return found if counted or found <= FEW_MATCHES else None

    def compartment(
        self, access: Access, pairs: Sequence[tuple[str, str]], target: str, ids: Sequence[str]
    ) -> list[tuple[int, Version]]:
        """Return the living of a type and these ids, what refers to them by a (type, param), and all their Provenances.

        Shape: each beside a number that orders them by their first writing; one statement, however many they are.
        """
        access.require("read")
        rows = self._select(gathered(pairs, target, ids))
        return [(row[-1], Version._make(row[:-1])) for row in rows if row[6] is not None]

    # episodes

    def episode(self, access: Access, id_: str) -> EpisodeRow | None:
        """Return the head of the episode, or None if there is none."""
        access.require("read")
        return next(map(as_head, self._rows(s.EPISODE_BY_ID, (id_,))), None)

    def episodes(
        self, access: Access, status: Status | None = None, limit: int = 100, after: str | None = None
    ) -> list[EpisodeRow]:
        """Return heads of episodes, last opened first, those behind the episode `after`."""
        access.require("read")
        return list(map(as_head, self._select(s.episodes(status, after, limit))))

    def episode_of(self, access: Access, type_: str, id_: str) -> list[tuple[str, str | None]]:
        """Return (episode, basis) for every episode this resource is a member of."""
        access.require("read")
        return [(row[0], row[1]) for row in self._rows(s.EPISODE_OF, (type_, id_))]

    def linking(self, access: Access, param: str, keys: Iterable[Key]) -> dict[Key, list[Key]]:
        """Return the (type, id) of the living resources that refer by this parameter to each of these, oldest first."""
        access.require("read")
        found: dict[Key, list[Key]] = {}
        for target_type, target_id, type_, id_, by in self._over(s.linking, list(dict.fromkeys(keys))):
            if by == param:
                found.setdefault((target_type, target_id), []).append((type_, id_))
        return found

    def episodes_of(self, access: Access, keys: Iterable[Key]) -> dict[Key, list[tuple[str, str | None]]]:
        """Return (episode, basis) for every episode that each of these (type, id) is a member of."""
        access.require("read")
        found: dict[Key, list[tuple[str, str | None]]] = {}
        for type_, id_, episode, basis in self._over(s.memberships, list(dict.fromkeys(keys))):
            found.setdefault((type_, id_), []).append((episode, basis))
        return found

    def members(
        self, access: Access, episode_id: str, after_version: int = 0, *, owner: Owner | None = None
    ) -> list[Version]:
        """Return every version (superseded ones too) that the episode gained after its own `after_version`.

        Shape: by this episode's version, then in the order of writing; `episode_version` is this episode's.
               With an `owner`, its versions only: the bodies of the others are not even read.
        """
        access.require("read")
        if owner is None:
            wanted: tuple[object, ...] = (episode_id, after_version)
            rows = self._rows(s.MEMBERS, wanted + wanted)
        else:
            wanted = (episode_id, after_version, owner)
            rows = self._rows(s.MEMBERS_OF_OWNER, wanted + wanted)
        return list(map(Version._make, rows))

    # entries

    def entry(self, access: Access, entry_id: str) -> EntryRow | None:
        """Return when and with which digest this entry was accepted, or None if it was not."""
        access.require("read")
        return next(map(EntryRow._make, self._rows(s.ENTRY, (entry_id,))), None)

    def entries(self, access: Access, entry_ids: Iterable[str]) -> dict[str, EntryRow]:
        """Return those of the entries that were accepted, by id."""
        access.require("read")
        rows = self._over(s.entries, [(entry_id,) for entry_id in dict.fromkeys(entry_ids)])
        return {row[0]: EntryRow._make(row) for row in rows}

    def held(self, access: Access, episode_id: str) -> list[HeldRow]:
        """Return what waits in this episode for repair or for its original, in the order of receipt."""
        access.require("read")
        return list(map(HeldRow._make, self._rows(s.HELD_IN, (episode_id,))))

    def outgoing(self, access: Access, after: int = 0, count: int = 100) -> list[tuple[int, OutboxRow]]:
        """Return (number, row) of what is still to be sent, oldest first, numbers above `after`."""
        access.require("read")
        return [(row[0], OutboxRow._make(row[1:])) for row in self._select(s.outgoing(after, count))]

    def upkeep(self, access: Access) -> list[str]:
        """Return what must be made anew before the record is used, since newer software brought its tables up."""
        access.require("read")
        return [row[0] for row in self._select(s.UPKEEP)]

    # jobs

    def next_job_at(self, access: Access, kinds: Sequence[str]) -> datetime | None:
        """Return from when on a job of these kinds can be taken, or None if there is none."""
        access.require("read")
        found = self._select(s.next_due(kinds))[0][0]
        return None if found is None else instant(found)

    def jobs(
        self, access: Access, state: Literal["waiting", "dead"] | None = None, *, after: int = 0, count: int = 100
    ) -> list[Job]:
        """Return jobs (of one state) in the order of their numbers, those above `after`."""
        access.require("read")
        return list(map(Job.of, self._select(s.jobs(state, after, count))))

    # how statements run

    def _rows(self, prepared: Prepared, parameters: Sequence[object]) -> list[Any]:
        self.statements += 1
        cursor = self._cursor
        cursor.execute(prepared.text(self._dialect), parameters)
        rows: list[Any] = cursor.fetchall()
        return rows

    def _filled(self, statement: Filled, values: Mapping[str, object]) -> list[Any]:
        self.statements += 1
        cursor = self._cursor
        # planned for its own values each time: what is rare and what is not decides the plan
        once = {"prepare": False} if self._dialect.name == "postgresql" else {}
        cursor.execute(*statement.of(self._dialect, values), **once)
        rows: list[Any] = cursor.fetchall()
        return rows

    def _over(self, fitting: Callable[[int], tuple[Prepared, int]], keys: Sequence[tuple[object, ...]]) -> list[Any]:
        """Return the rows for all keys, `CHUNK` of them per statement."""
        rows: list[Any] = []
        for start in range(0, len(keys), CHUNK):
            some = keys[start : start + CHUNK]
            prepared, room = fitting(len(some))
            filled = [part for key in some for part in key]
            filled.extend(some[-1] * (room - len(some)))
            rows.extend(self._rows(prepared, filled))
        return rows

    def _select(self, statement: Any) -> Sequence[Any]:
        self.statements += 1
        rows: Sequence[Any] = self._connection.execute(statement).all()
        return rows


def cursor_of(connection: Connection) -> Any:
    """Return the driver's own cursor; PostgreSQL's answers in its binary form, which need no reading of digits."""
    if connection.dialect.name == "postgresql":
        return connection.connection.cursor(binary=True)
    return connection.connection.cursor()


class _Finished:
    """What stands in for the connection once the work has returned."""

    def __getattr__(self, name: str) -> Any:
        raise RuntimeError("A Reader or Writer was used after its work has returned; ask the store again.")


def as_head(row: Sequence[Any]) -> EpisodeRow:
    made = EpisodeRow._make(row)
    return made._replace(drill=bool(made.drill))
