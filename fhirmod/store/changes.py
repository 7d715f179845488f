"""The fixed statements that write, and those that ask what a write must know; each with the order of its parameters."""

from typing import Any

from sqlalchemy import (
    Boolean,
    ClauseElement,
    Column,
    ColumnElement,
    FromClause,
    Table,
    Text,
    and_,
    bindparam,
    case,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    union_all,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite

from .prepared import Change, Prepared, sized
from .statements import EPISODE, NAMED, named_keys, numbered
from .tables import (
    RIDS,
    entry_log,
    episode,
    held,
    identity,
    member,
    outbox,
    reference,
    resource,
    search_value,
    shared,
    token,
    told,
    upkeep,
    version,
)

_v, _r = version.c, resource.c


def _lists(columns: dict[str, Column[Any]]) -> FromClause:
    """Return the relation that one list for each of these columns makes (PostgreSQL), by the given names."""
    unfolded = [
        func.unnest(bindparam(name, type_=postgresql.ARRAY(column.type))).label(name)
        for name, column in columns.items()
    ]
    return select(*unfolded).subquery("given")


def _insert(table: Table, *leave_out: str, many: bool = False) -> Change:
    names = [each.name for each in table.c if each.name not in leave_out]
    given = _lists({name: table.c[name] for name in names})
    return Change(
        Prepared(insert(table), *names, filled=names),
        Prepared(insert(table).from_select(names, select(given)), *names),
        into=table if many else None,
    )


def _insert_new(table: Table) -> Change:
    names = [each.name for each in table.c]
    given = _lists({name: table.c[name] for name in names})
    return Change(
        Prepared(sqlite.insert(table).on_conflict_do_nothing(), *names, filled=names),
        Prepared(postgresql.insert(table).from_select(names, select(given)).on_conflict_do_nothing(), *names),
    )


def _delete(table: Table, *, whole: bool = False) -> Change:
    """Return the statement that deletes rows named by their key, or each given whole."""
    key = {f"of_{each.name}": each for each in (table.c if whole else table.primary_key.columns)}
    given = _lists(key)
    return Change(
        Prepared(delete(table).where(*[each == bindparam(name) for name, each in key.items()]), *key),
        Prepared(delete(table).where(*[each == given.c[name] for name, each in key.items()]), *key),
    )


LOCK = Prepared(select(*EPISODE).where(episode.c.id == bindparam("id")).with_for_update(), "id")

_NEXT = episode.c.version + literal_column("1")
_BUMPED = {
    "version": _NEXT,
    "stamp": bindparam("new"),
    "read_back": case((bindparam("adds", type_=Boolean()), episode.c.read_back), else_=_NEXT),
}


def _bump(**more: ColumnElement[Any]) -> Prepared:
    statement = update(episode).where(episode.c.id == bindparam("episode")).values(**_BUMPED, **more)
    return Prepared(statement.returning(episode.c.version), *more, "new", "adds", "episode")


BUMP = _bump()
BUMP_STATUS = _bump(status=bindparam("status"))

SHARE = Change(
    Prepared(
        insert(shared).from_select(
            ["episode_id", "seq", "episode_version"],
            select(
                bindparam("episode", type_=shared.c.episode_id.type),
                _v.seq,
                bindparam("at", type_=_v.version.type),
            )
            .join_from(resource, version, _v.rid == _r.rid)
            .where(
                *NAMED,
                or_(_v.episode_id.is_(None), _v.episode_id != bindparam("other")),
                ~exists().where(shared.c.episode_id == bindparam("again"), shared.c.seq == _v.seq),
            ),
        ),
        "episode",
        "at",
        "type",
        "id",
        "other",
        "again",
    )
)


def _join(insert_into: Any) -> ClauseElement:
    asked = select(
        _r.rid,
        bindparam("episode", type_=member.c.episode_id.type),
        bindparam("basis", type_=member.c.basis.type),
    ).where(*NAMED)
    made: ClauseElement = (
        insert_into(member).from_select(["rid", "episode_id", "basis"], asked).on_conflict_do_nothing()
    )
    return made


JOIN = Change(
    Prepared(
        _join(sqlite.insert),
        "episode",
        "basis",
        "type",
        "id",
        otherwise={"postgresql": _join(postgresql.insert)},
    )
)


@sized
def places(count: int) -> Prepared:
    """Return the statement for (type, id, rid, version) of resources; version 0 where there is none yet.

    Shape: on PostgreSQL a number is taken from the sequence for each that is new. On SQLite one transaction
           writes at a time: the row without a type has the highest rid, and new ones are numbered from there.
    """
    wanted, names = named_keys(count)
    same = and_(_r.type == wanted.c.type, _r.id == wanted.c.id)
    nothing = literal_column("''", Text)
    highest = select(
        nothing.label("type"),
        nothing.label("id"),
        func.coalesce(func.max(_r.rid), literal_column("0")).label("rid"),
        literal_column("0").label("version"),
    )
    found = select(_r.type, _r.id, _r.rid, _r.version).join_from(wanted, resource, same)
    numbered_here = select(
        wanted.c.type,
        wanted.c.id,
        func.coalesce(_r.rid, RIDS.next_value()),
        func.coalesce(_r.version, literal_column("0")),
    ).join_from(wanted, resource, same, isouter=True)
    return Prepared(union_all(highest, found), *names, otherwise={"postgresql": numbered_here})


@sized
def episodes_of(count: int) -> Prepared:
    """Return the statement for the ids of the episodes that resources named by (type, id) are members of."""
    wanted, names = named_keys(count)
    statement = (
        select(member.c.episode_id)
        .join_from(wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id))
        .join(member, member.c.rid == _r.rid)
        .distinct()
        .order_by(member.c.episode_id)
    )
    return Prepared(statement, *names)


@sized
def lock_episodes(count: int) -> Prepared:
    """Return the statement that locks episodes named by id, one after the other in the order of their ids."""
    bound, names = numbered("episode", count)
    return Prepared(
        select(episode.c.id).where(episode.c.id.in_(bound)).order_by(episode.c.id).with_for_update(), *names
    )


@sized
def lock_resources(count: int) -> Prepared:
    """Return the statement that locks the resources named by (type, id), one after the other in their order."""
    wanted, names = named_keys(count)
    statement = (
        select(_r.rid)
        .join_from(wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id))
        .order_by(_r.rid)
        .with_for_update(of=resource)
    )
    return Prepared(statement, *names)


# PostgreSQL only: one at a time for each of these names, until the commit
CLAIM = Prepared(
    select(
        func.pg_advisory_xact_lock(func.hashtextextended(literal_column("claimed.name"), literal_column("0")))
    ).select_from(
        select(func.unnest(bindparam("names", type_=postgresql.ARRAY(member.c.basis.type))).label("name"))
        .order_by(literal_column("1"))
        .subquery("claimed")
    ),
    "names",
)

CLAIM_SOME = Prepared(select(func.pg_advisory_xact_lock_shared(literal_column("1718118770"))))
CLAIM_ALL = Prepared(select(func.pg_advisory_xact_lock(literal_column("1718118770"))))


@sized
def tokens_of(count: int) -> Prepared:
    """Return the statement for the tokens of resources named by rid."""
    bound, names = numbered("rid", count)
    c = token.c
    return Prepared(select(*c).where(c.rid.in_(bound)), *names)


@sized
def references_of(count: int) -> Prepared:
    """Return the statement for the references of resources named by rid."""
    bound, names = numbered("rid", count)
    c = reference.c
    return Prepared(select(*c).where(c.rid.in_(bound)), *names)


@sized
def values_of(count: int) -> Prepared:
    """Return the statement for the search values of resources named by rid."""
    bound, names = numbered("rid", count)
    return Prepared(select(*search_value.c).where(search_value.c.rid.in_(bound)), *names)


OWNER_OF_IDENTITY = Prepared(
    select(identity.c.id, _r.rid, _r.deleted, token.c.rid)
    .join_from(identity, resource, and_(_r.type == identity.c.type, _r.id == identity.c.id), isouter=True)
    .join(
        token,
        and_(
            token.c.rid == _r.rid,
            token.c.param == bindparam("param"),
            token.c.value == identity.c.value,
            token.c.system == identity.c.system,
        ),
        isouter=True,
    )
    .where(
        identity.c.type == bindparam("type"),
        identity.c.system == bindparam("system"),
        identity.c.value == bindparam("value"),
    )
    .with_for_update(of=identity),
    "param",
    "type",
    "system",
    "value",
)

MOVE_IDENTITY = Change(
    Prepared(
        update(identity)
        .where(
            identity.c.type == bindparam("of_type"),
            identity.c.system == bindparam("of_system"),
            identity.c.value == bindparam("of_value"),
        )
        .values(id=bindparam("to")),
        "to",
        "of_type",
        "of_system",
        "of_value",
    )
)

ADD_RESOURCE = _insert(resource)

_moved = {"to": _r.version, "gone": _r.deleted, "when": _r.updated, "of": _r.rid, "was": _r.version}
_given = _lists(_moved)

# touches fewer rows than it is given if another transaction moved one of them first
MOVE_RESOURCE = Change(
    Prepared(
        update(resource)
        .where(_r.rid == bindparam("of"), _r.version == bindparam("was"))
        .values({"version": bindparam("to"), "deleted": bindparam("gone"), "updated": bindparam("when")}),
        *_moved,
    ),
    Prepared(
        update(resource)
        .where(_r.rid == _given.c.of, _r.version == _given.c.was)
        .values({"version": _given.c.to, "deleted": _given.c.gone, "updated": _given.c.when}),
        *_moved,
    ),
)

ADD_VERSION = _insert(version, "seq")

ADD_TOKEN = _insert(token)

DROP_TOKEN = _delete(token, whole=True)

ADD_REFERENCE = _insert(reference)

DROP_REFERENCE = _delete(reference, whole=True)

ADD_VALUE = _insert(search_value, many=True)

DROP_VALUE = _delete(search_value, whole=True)

ADD_MEMBER = _insert_new(member)

ADD_EPISODE = _insert(episode, "seq")

ADD_ENTRY = _insert(entry_log)

ADD_HELD = _insert(held)

RELEASE = _delete(held)

ADD_IDENTITY = _insert_new(identity)

ADD_OUTBOX = _insert(outbox, "seq")

SENT = _delete(outbox)

ADD_TOLD = _insert_new(told)

KEPT_UP = _delete(upkeep)
