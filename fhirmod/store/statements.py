"""The fixed statements that read, each with the order of its parameters."""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import FromClause, Select, Text, and_, bindparam, column, func, select, union_all, values

from .prepared import Prepared, sized
from .tables import entry_log, episode, held, job, member, outbox, reference, resource, shared, token, upkeep, version

_v, _r = version.c, resource.c

VERSION = (_r.type, _r.id, _v.version, _v.updated, _v.owner, _v.method, _v.body, _v.episode_version)

EPISODE = tuple(each for each in episode.c if each.name != "seq")

HELD = tuple(held.c)

CURRENT = and_(_v.rid == _r.rid, _v.version == _r.version)

NAMED = (_r.type == bindparam("type"), _r.id == bindparam("id"))

GET = Prepared(select(*VERSION).join_from(resource, version, CURRENT).where(*NAMED), "type", "id")

VREAD = Prepared(
    select(*VERSION).join_from(resource, version, _v.rid == _r.rid).where(*NAMED, _v.version == bindparam("version")),
    "type",
    "id",
    "version",
)

HISTORY = Prepared(
    select(*VERSION).join_from(resource, version, _v.rid == _r.rid).where(*NAMED).order_by(_v.version.desc()),
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


def numbered(prefix: str, count: int) -> tuple[list[Any], list[str]]:
    """Return `count` parameters and their names."""
    names = [f"{prefix}{number}" for number in range(count)]
    return [bindparam(name) for name in names], names


def named_keys(count: int) -> tuple[FromClause, list[str]]:
    """Return a relation of (type, id) given as parameters, and their names."""
    names = [f"{part}{number}" for number in range(count) for part in ("type", "id")]
    keys = [(bindparam(f"type{number}", type_=Text), bindparam(f"id{number}", type_=Text)) for number in range(count)]
    return values(column("type", Text), column("id", Text), name="wanted").data(keys).cte("wanted"), names


@sized
def linking(count: int) -> Prepared:
    """Return the statement for (target, who refers to it, by which parameter) of targets named by (type, id)."""
    wanted, names = named_keys(count)
    statement = (
        select(wanted.c.type, wanted.c.id, _r.type, _r.id, reference.c.param)
        .join_from(
            wanted,
            reference,
            and_(reference.c.target_id == wanted.c.id, reference.c.target_type == wanted.c.type),
        )
        .join(resource, _r.rid == reference.c.rid)
        .order_by(_r.rid)
    )
    return Prepared(statement, *names)


@sized
def current(count: int) -> Prepared:
    """Return the statement for the current versions of resources named by (type, id)."""
    wanted, names = named_keys(count)
    statement = (
        select(*VERSION)
        .join_from(wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id))
        .join(version, CURRENT)
    )
    return Prepared(statement, *names)


EPISODE_BY_ID = Prepared(select(*EPISODE).where(episode.c.id == bindparam("id")), "id")


def episodes(status: str | None, after: str | None, limit: int) -> Select[Any]:
    """Return the statement for heads of episodes, last opened first."""
    statement = select(*EPISODE).order_by(episode.c.seq.desc()).limit(limit)
    if status is not None:
        statement = statement.where(episode.c.status == status)
    if after is not None:
        last = episode.alias("last")
        statement = statement.where(episode.c.seq < select(last.c.seq).where(last.c.id == after).scalar_subquery())
    return statement


EPISODE_OF = Prepared(
    select(member.c.episode_id, member.c.basis)
    .join_from(resource, member, member.c.rid == _r.rid)
    .where(*NAMED)
    .order_by(member.c.episode_id),
    "type",
    "id",
)


@sized
def memberships(count: int) -> Prepared:
    """Return the statement for (type, id, episode, basis) of resources named by (type, id)."""
    wanted, names = named_keys(count)
    statement = (
        select(_r.type, _r.id, member.c.episode_id, member.c.basis)
        .join_from(wanted, resource, and_(_r.type == wanted.c.type, _r.id == wanted.c.id))
        .join(member, member.c.rid == _r.rid)
        .distinct()
        .order_by(member.c.episode_id)
    )
    return Prepared(statement, *names)


def _members(*, by_owner: bool) -> Prepared:
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
    first, second = ["own", "own_after"], ["further", "further_after"]
    if by_owner:
        own = own.where(_v.owner == bindparam("own_owner"))
        further = further.where(_v.owner == bindparam("further_owner"))
        first.append("own_owner")
        second.append("further_owner")
    both = union_all(own, further).subquery()
    statement = select(*[both.c[each.name] for each in VERSION]).order_by(both.c.episode_version, both.c.seq)
    return Prepared(statement, *first, *second)


MEMBERS = _members(by_owner=False)
MEMBERS_OF_OWNER = _members(by_owner=True)

ENTRY = Prepared(select(*entry_log.c).where(entry_log.c.entry_id == bindparam("entry")), "entry")


@sized
def entries(count: int) -> Prepared:
    """Return the statement for accepted entries named by id."""
    bound, names = numbered("entry", count)
    return Prepared(select(*entry_log.c).where(entry_log.c.entry_id.in_(bound)), *names)


HELD_IN = Prepared(
    select(*HELD).where(held.c.episode_id == bindparam("episode")).order_by(held.c.received_at, held.c.key),
    "episode",
)


def outgoing(after: int, count: int) -> Select[Any]:
    """Return the statement for rows still to be sent, oldest first."""
    return select(*outbox.c).where(outbox.c.seq > after).order_by(outbox.c.seq).limit(count)


UPKEEP = select(upkeep.c.what)


def next_due(kinds: Sequence[str]) -> Select[Any]:
    """Return the statement for when the first job of these kinds may be taken."""
    return select(func.min(job.c.due_at)).where(job.c.state == "waiting", job.c.kind.in_(kinds))


def jobs(state: str | None, after: int, count: int) -> Select[Any]:
    """Return the statement for jobs in the order of their numbers."""
    statement = select(*job.c).where(job.c.seq > after).order_by(job.c.seq).limit(count)
    return statement if state is None else statement.where(job.c.state == state)
