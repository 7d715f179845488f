"""How a history becomes one statement: versions in the order of writing, newest first, of one resource, a type or all.

All versions are walked backwards from the newest and stop after a page; of a type with few resources those few are
read instead, so neither a rare type nor a common one reads the whole table.
"""

from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Select, and_, exists, func, select

from .statements import VERSION
from .tables import resource, version

FEW = 2_000  # resources of a type that are read rather than met on the way back through everything

_v, _r = version.c, resource.c


class Past(NamedTuple):
    """What of the past is asked for: of what, changed since when, current at some time of a period.

    Shape: times are in UTC, written as `Version.updated` is; `at` is (first instant, first instant behind the
           period); `before` is a number of the page before.
    """

    type: str | None = None
    id: str | None = None
    since: str | None = None
    at: tuple[str, str] | None = None
    before: int | None = None


def few(type_: str) -> Select[Any]:
    """Return the statement that counts the resources of a type, up to one more than few."""
    some = select(_r.rid).where(_r.type == type_).limit(FEW + 1).subquery()
    return select(func.count()).select_from(some)


def changes(asked: Past, count: int, *, rare: bool) -> Select[Any]:
    """Return the statement for a page of versions, each with its number."""
    wanted: list[ColumnElement[bool]] = []
    walked = asked.id is None and not rare
    if asked.type is not None:
        # || '': no index of the type is meant where everything is walked backwards
        wanted.append((_r.type.concat("") if walked else _r.type) == asked.type)
    if asked.id is not None:
        wanted.append(_r.id == asked.id)
    if asked.since is not None:
        wanted.append(_when(_v.updated) >= asked.since.rstrip("Z"))
    if asked.at is not None:
        first, behind = (one.rstrip("Z") for one in asked.at)
        later = version.alias("later")
        replaced = and_(later.c.rid == _v.rid, later.c.version == _v.version + 1, _when(later.c.updated) <= first)
        wanted += [_when(_v.updated) < behind, ~exists().where(replaced)]
    if asked.before is not None:
        wanted.append(_v.seq < asked.before)
    return (
        select(*VERSION, _v.seq)
        .select_from(version)
        .join(resource, _r.rid == _v.rid)
        .where(*wanted)
        .order_by(_v.seq.desc())
        .limit(count)
    )


def total(type_: str, id_: str) -> Select[Any]:
    """Return the statement for the number of versions of one resource."""
    return (
        select(func.count()).select_from(resource).join(version, _v.rid == _r.rid).where(_r.type == type_, _r.id == id_)
    )


def _when(column: ColumnElement[str]) -> ColumnElement[str]:
    """Return a time so that text compares as time: whole seconds have no fraction, and Z is behind every digit."""
    return func.rtrim(column, "Z")
