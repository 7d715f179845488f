"""The pages of a search as statements: in the order of first writing, in an order asked for, and how many there are.

To sort by what any resource may have several of or none, all matches are looked up and sorted. Where a resource has one
value at most (a time), and matches are many, the values are walked in their order and probed instead, until the page is
full; only a page that does not fill (what has no value comes last) needs the other way.
"""

from collections.abc import Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, Subquery, and_, func, literal_column, or_, select, union_all

from .meeting import Condition, given, meets, place_of
from .prepared import filled
from .search import Search, matching
from .sought import Order
from .statements import CURRENT, VERSION
from .tables import resource, version

FEW_MATCHES = 1_000


@filled
def total(search: Search, *, few: bool = False) -> Select[Any]:
    """Return the statement for the number of matches; of `few`, up to one more than few."""
    found = matching(search)
    some = found.limit(literal_column(str(FEW_MATCHES + 1))) if few else found
    return select(func.count()).select_from(some.cte("hit"))


@filled
def paged(search: Search, orders: tuple[Order, ...], known: tuple[bool, ...] | None) -> Select[Any]:
    """Return the statement for a page of current versions, each with its rid and what it is sorted by.

    Shape: it takes `count`, and behind a cursor `rid`, and `key0` and so on of those keys that are `known`.
    """
    hit = matching(search).cte("hit")  # no deeper than it must be: SQLite's parser has an end
    if not orders:
        first = select(hit.c.rid).where(hit.c.rid > given("rid")).order_by(hit.c.rid).limit(given("count"))
        page = first.subquery("page")
        return _shown(page).order_by(page.c.rid)
    keyed = select(hit.c.rid, *[_key(search.type, one, hit.c.rid).label(f"k{n}") for n, one in enumerate(orders)]).cte(
        "keyed"
    )
    rid, *keys = keyed.c
    some = select(rid, *keys)
    if known is not None:
        some = some.where(_behind(orders, keys, rid, known))
    page = some.order_by(*_by_all(orders, keys, rid)).limit(given("count")).subquery("page")
    rid, *keys = page.c
    return _shown(page).order_by(*_by_all(orders, keys, rid))


def walks(search: Search, orders: Sequence[Order]) -> bool:
    """Return whether a page is better found by walking the values that it is sorted by."""
    return len(orders) == 1 and bool(orders[0].texts) and not search.rare


@filled
def walked(search: Search, order: Order, *, behind: bool) -> Select[Any]:
    """Return the statement for a page as `paged` has it, of resources that have the value it is sorted by."""
    parts = [_walk(search, order, text, behind=behind) for text in order.texts]
    found = (union_all(*[select(one.subquery()) for one in parts]) if len(parts) > 1 else parts[0]).subquery("walked")
    first = select(found.c.rid, found.c.key).order_by(_by(found.c.key, order), _by(found.c.rid, order))
    page = first.limit(given("count")).subquery("page")
    return _shown(page).order_by(_by(page.c.key, order), _by(page.c.rid, order))


def _shown(page: Subquery) -> Select[Any]:
    """Return the statement for the current versions on a page: bodies are read of these alone."""
    rid, *keys = page.c
    return select(*VERSION, rid, *keys).join_from(page, resource, resource.c.rid == rid).join(version, CURRENT)


def _walk(search: Search, order: Order, text: str, *, behind: bool) -> Select[Any]:
    place = place_of(order.params)
    row = place.table.alias("driver")
    key = row.c[place.columns[order.column]]
    wanted = [place.named(row, search.type, order.params)]
    if "text" in place.columns:
        wanted.append(row.c[place.columns["text"]] == text)
    if behind:
        bound = key <= given("key0") if order.down else key >= given("key0")  # what an index narrows
        wanted += [bound, _behind([order], [key], row.c.rid, [True])]
    wanted += [meets(search.type, one, row.c.rid) for one in search.criteria]
    statement = select(row.c.rid, key.label("key")).where(*wanted)
    return statement.order_by(_by(key, order), _by(row.c.rid, order)).limit(given("count"))


def _by_all(
    orders: Sequence[Order], keys: Sequence[ColumnElement[Any]], rid: ColumnElement[int]
) -> list[ColumnElement[Any]]:
    return [*[_by(key, one).nulls_last() for key, one in zip(keys, orders, strict=True)], _by(rid, orders[-1])]


def _by(column: ColumnElement[Any], order: Order) -> ColumnElement[Any]:
    return column.desc() if order.down else column.asc()


def _key(type_: str, order: Order, rid: ColumnElement[int]) -> ColumnElement[Any]:
    """Return what a resource is sorted by: the smallest of its values going up, the largest going down."""
    place = place_of(order.params)
    row = place.table.alias()
    column = row.c[place.columns[order.column]]
    best = func.max(column) if order.down else func.min(column)
    asked = [row.c.rid == rid, place.named(row, type_, order.params)]
    if order.scope:
        asked.append(row.c.scope == order.scope)
    return select(best).where(*asked).scalar_subquery()


def _behind(
    orders: Sequence[Order], keys: Sequence[ColumnElement[Any]], rid: ColumnElement[int], known: Sequence[bool]
) -> Condition:
    """Return the condition that a resource comes behind: by the first key that differs, at last by its rid."""
    found: list[Condition] = []
    same: list[Condition] = []
    for number, (order, key, there) in enumerate(zip(orders, keys, known, strict=True)):
        value = given(f"key{number}")
        if there:  # behind what has no value there is no other
            found.append(and_(*same, or_(key < value if order.down else key > value, key.is_(None))))
        same.append(key == value if there else key.is_(None))
    last = rid < given("rid") if orders[-1].down else rid > given("rid")
    return or_(*found, and_(*same, last))
