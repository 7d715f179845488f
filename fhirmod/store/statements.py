"""The fixed statements of the store, each with the order of its parameters."""

from typing import Any

from sqlalchemy import (
    FromClause,
    Select,
    Table,
    Text,
    and_,
    bindparam,
    column,
    delete,
    exists,
    func,
    insert,
    literal_column,
    or_,
    select,
    union_all,
    update,
    values,
)
from sqlalchemy.dialects import sqlite

from .prepared import Prepared, sized
from .tables import (
    entry_log,
    episode,
    held,
    identity,
    member,
    outbox,
    reference,
    resource,
    shared,
    token,
    version,
)

_v, _r = version.c, resource.c
VERSION = (_r.type, _r.id, _v.version, _v.updated, _v.owner, _v.method, _v.body, _v.episode_version)
EPISODE = tuple(each for each in episode.c if each.name != "seq")
HELD = tuple(held.c)

CURRENT = and_(_v.rid == _r.rid, _v.version == _r.version)
_named = (_r.type == bindparam("type"), _r.id == bindparam("id"))


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


# resources, one at a time
GET = Prepared(select(*VERSION).join_from(resource, version, CURRENT).where(*_named), "type", "id")
VREAD = Prepared(
    select(*VERSION).join_from(resource, version, _v.rid == _r.rid).where(*_named, _v.version == bindparam("version")),
    "type",
    "id",
    "version",
)
HISTORY = Prepared(
    select(*VERSION).join_from(resource, version, _v.rid == _r.rid).where(*_named).order_by(_v.version.desc()),
    "type",
    "id",
)
IDENTIFIED = Prepared(
    select(_r.id)
    .join_from(token, resource, _r.rid == token.c.rid)
    .where(
        token.c.type == bindparam("type"),
        token.c.param == bindparam("param"),
        token.c.value == bindparam("value"),
        token.c.system == bindparam("system"),
    )
    .order_by(_r.rid),
    "type",
    "param",
    "value",
    "system",
)
REFERRERS = Prepared(
    select(_r.type, _r.id, reference.c.param)
    .join_from(reference, resource, _r.rid == reference.c.rid)
    .where(reference.c.target_id == bindparam("id"), reference.c.target_type == bindparam("type"))
    .order_by(_r.rid, reference.c.param),
    "id",
    "type",
)

# episodes and their members
LOCK = Prepared(select(*EPISODE).where(episode.c.id == bindparam("id")).with_for_update(), "id")
EPISODE_BY_ID = Prepared(select(*EPISODE).where(episode.c.id == bindparam("id")), "id")
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
EPISODE_OF = Prepared(
    select(member.c.episode_id, member.c.basis)
    .join_from(resource, member, member.c.rid == _r.rid)
    .where(*_named)
    .order_by(member.c.episode_id),
    "type",
    "id",
)


def episodes(status: str | None, after: str | None, limit: int) -> Select[Any]:
    """Return the statement for heads of episodes, last opened first."""
    statement = select(*EPISODE).order_by(episode.c.seq.desc()).limit(limit)
    if status is not None:
        statement = statement.where(episode.c.status == status)
    if after is not None:
        last = episode.alias("last")
        statement = statement.where(episode.c.seq < select(last.c.seq).where(last.c.id == after).scalar_subquery())
    return statement


def _members() -> Prepared:
    own = (
        select(*VERSION, _v.seq.label("seq"))
        .join_from(version, resource, _v.rid == _r.rid)
        .where(_v.episode_id == bindparam("own"), _v.episode_version > bindparam("own_after"))
    )
    further = (
        select(*VERSION[:-1], shared.c.episode_version, _v.seq.label("seq"))
        .join_from(shared, version, _v.seq == shared.c.seq)
        .join(resource, _v.rid == _r.rid)
        .where(shared.c.episode_id == bindparam("further"), shared.c.episode_version > bindparam("further_after"))
    )
    both = union_all(own, further).subquery()
    return Prepared(
        select(*[both.c[each.name] for each in VERSION]).order_by(both.c.episode_version, both.c.seq),
        "own",
        "own_after",
        "further",
        "further_after",
    )


MEMBERS = _members()
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
            *_named,
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
        ).where(*_named),
    )
    .on_conflict_do_nothing(),
    "episode",
    "basis",
    "type",
    "id",
)

# entries, held entries, identities, outbox
ENTRY = Prepared(select(*entry_log.c).where(entry_log.c.entry_id == bindparam("entry")), "entry")
HELD_IN = Prepared(
    select(*HELD).where(held.c.episode_id == bindparam("episode")).order_by(held.c.received_at, held.c.key),
    "episode",
)
RELEASE = _delete(held)
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


def outgoing(after: int, count: int) -> Select[Any]:
    """Return the statement for rows still to be sent, oldest first."""
    return select(*outbox.c).where(outbox.c.seq > after).order_by(outbox.c.seq).limit(count)


SENT = _delete(outbox)

# one executemany per table
ADD_RESOURCE = _insert(resource)
ADD_VERSION = _insert(version, "seq")
ADD_TOKEN = _insert(token)
ADD_REFERENCE = _insert(reference)
ADD_MEMBER = _insert_new(member)
ADD_EPISODE = _insert(episode, "seq")
ADD_ENTRY = _insert(entry_log)
ADD_OUTBOX = _insert(outbox, "seq")
ADD_HELD = _insert(held)
ADD_IDENTITY = _insert_new(identity)
MOVE_RESOURCE = Prepared(
    update(resource)
    .where(_r.rid == bindparam("of"))
    .values({"version": bindparam("to"), "deleted": bindparam("gone")}),
    "to",
    "gone",
    "of",
)
DROP_TOKEN = _delete(token)
DROP_REFERENCE = _delete(reference)


# statements over several keys
def _bound(prefix: str, count: int) -> tuple[list[Any], list[str]]:
    names = [f"{prefix}{number}" for number in range(count)]
    return [bindparam(name) for name in names], names


def _wanted(count: int) -> tuple[FromClause, list[str]]:
    """Return a relation of (type, id) given as parameters, and their names."""
    names = [f"{part}{number}" for number in range(count) for part in ("type", "id")]
    keys = [(bindparam(f"type{number}", type_=Text), bindparam(f"id{number}", type_=Text)) for number in range(count)]
    return values(column("type", Text), column("id", Text), name="wanted").data(keys).cte("wanted"), names


@sized
def places(count: int) -> Prepared:
    """Return the statement for (type, id, rid, version) of resources; the first row has the highest rid.

    Shape: new resources are numbered from there, which is safe while one transaction writes at a time.
    """
    wanted, names = _wanted(count)
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
def current(count: int) -> Prepared:
    """Return the statement for the current versions of resources named by (type, id)."""
    wanted, names = _wanted(count)
    statement = (
        select(*VERSION)
        .join_from(wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id))
        .join(version, CURRENT)
    )
    return Prepared(statement, *names)


@sized
def tokens_of(count: int) -> Prepared:
    """Return the statement for the tokens of resources named by rid."""
    bound, names = _bound("rid", count)
    c = token.c
    return Prepared(select(*c).where(c.rid.in_(bound)), *names)


@sized
def references_of(count: int) -> Prepared:
    """Return the statement for the references of resources named by rid."""
    bound, names = _bound("rid", count)
    c = reference.c
    return Prepared(select(*c).where(c.rid.in_(bound)), *names)


@sized
def entries(count: int) -> Prepared:
    """Return the statement for accepted entries named by id."""
    bound, names = _bound("entry", count)
    return Prepared(select(*entry_log.c).where(entry_log.c.entry_id.in_(bound)), *names)
