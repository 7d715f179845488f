"""The fixed statements that write, and those that ask what a write must know; each with the order of its parameters."""

from sqlalchemy import (
    Table,
    and_,
    bindparam,
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
from sqlalchemy.dialects import sqlite

from .prepared import Prepared, sized
from .statements import EPISODE, NAMED, named_keys, numbered
from .tables import entry_log, episode, held, identity, member, outbox, reference, resource, shared, token, version

_v, _r = version.c, resource.c


def _insert(table: Table, *leave_out: str) -> Prepared:
    names = [each.name for each in table.c if each.name not in leave_out]
    return Prepared(insert(table), *names, filled=names)


def _insert_new(table: Table) -> Prepared:
    names = [each.name for each in table.c]
    return Prepared(sqlite.insert(table).on_conflict_do_nothing(), *names, filled=names)


def _delete(table: Table) -> Prepared:
    key = list(table.primary_key.columns)
    statement = delete(table).where(*[each == bindparam(f"of_{each.name}") for each in key])
    return Prepared(statement, *[f"of_{each.name}" for each in key])


LOCK = Prepared(select(*EPISODE).where(episode.c.id == bindparam("id")).with_for_update(), "id")

BUMP = Prepared(
    update(episode)
    .where(episode.c.id == bindparam("episode"))
    .values({"version": episode.c.version + literal_column("1"), "stamp": bindparam("new")})
    .returning(episode.c.version),
    "new",
    "episode",
)

BUMP_STATUS = Prepared(
    update(episode)
    .where(episode.c.id == bindparam("episode"))
    .values({"version": episode.c.version + literal_column("1"), "status": bindparam("to"), "stamp": bindparam("new")})
    .returning(episode.c.version),
    "to",
    "new",
    "episode",
)

SHARE = Prepared(
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

JOIN = Prepared(
    sqlite.insert(member)
    .from_select(
        ["rid", "episode_id", "basis"],
        select(
            _r.rid,
            bindparam("episode", type_=member.c.episode_id.type),
            bindparam("basis", type_=member.c.basis.type),
        ).where(*NAMED),
    )
    .on_conflict_do_nothing(),
    "episode",
    "basis",
    "type",
    "id",
)


@sized
def places(count: int) -> Prepared:
    """Return the statement for (type, id, rid, version) of resources; the first row has the highest rid.

    Shape: new resources are numbered from there, which is safe while one transaction writes at a time.
    """
    wanted, names = named_keys(count)
    highest = select(
        literal_column("''").label("type"),
        literal_column("''").label("id"),
        func.coalesce(func.max(_r.rid), literal_column("0")).label("rid"),
        literal_column("0").label("version"),
    )
    found = select(_r.type, _r.id, _r.rid, _r.version).join_from(
        wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id)
    )
    return Prepared(union_all(highest, found), *names)


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
    ),
    "param",
    "type",
    "system",
    "value",
)

MOVE_IDENTITY = Prepared(
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

ADD_RESOURCE = _insert(resource)

MOVE_RESOURCE = Prepared(
    update(resource)
    .where(_r.rid == bindparam("of"))
    .values({"version": bindparam("to"), "deleted": bindparam("gone")}),
    "to",
    "gone",
    "of",
)

ADD_VERSION = _insert(version, "seq")

ADD_TOKEN = _insert(token)

DROP_TOKEN = _delete(token)

ADD_REFERENCE = _insert(reference)

DROP_REFERENCE = _delete(reference)

ADD_MEMBER = _insert_new(member)

ADD_EPISODE = _insert(episode, "seq")

ADD_ENTRY = _insert(entry_log)

ADD_HELD = _insert(held)

RELEASE = _delete(held)

ADD_IDENTITY = _insert_new(identity)

ADD_OUTBOX = _insert(outbox, "seq")

SENT = _delete(outbox)
