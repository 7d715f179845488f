"""The statement that gathers a compartment: all of it at once, however many resources it has.

::

    targets (Patient/p1, ...) ----- themselves --.
        '--- search_value by field -------------+-- hit --.
                                                  '-- Provenance.target --+-- current versions, by rid
"""

from collections.abc import Sequence
from itertools import starmap
from typing import Any

from sqlalchemy import Integer, Select, and_, column, select, union, values

from .rows import field
from .statements import CURRENT, VERSION
from .tables import resource, search_value, version


def gathered(pairs: Sequence[tuple[str, str]], target: str, ids: Sequence[str]) -> Select[Any]:
    """Return the statement for targets of one type, what refers to them by one of the (type, param), and who tells it.

    Shape: the columns of a version, then its rid; in the order of first writing. Outer joins keep to the order they
           are written in: without statistics SQLite would else begin with all rows of a parameter. What they do not
           find is null, and falls out at the end.
    """
    fields = [(number,) for number in dict.fromkeys(starmap(field, pairs))]
    by = values(column("field", Integer), name="by").data(fields).cte("by")
    row, about, whose = search_value.alias("row"), search_value.alias("about"), resource.alias("whose")
    themselves = select(resource.c.rid).where(resource.c.type == target, resource.c.id.in_(list(ids)))
    refers = and_(row.c.field == by.c.field, row.c.text.in_(list(ids)), row.c.scope == target)
    referring = select(row.c.rid).select_from(by).join(row, refers, isouter=True)
    hit = union(themselves, referring).cte("hit")
    tells = and_(
        about.c.field == field("Provenance", "target"),
        about.c.text == whose.c.id,
        about.c.scope == whose.c.type,
    )
    telling = (
        select(about.c.rid)
        .select_from(hit)
        .join(whose, whose.c.rid == hit.c.rid, isouter=True)
        .join(about, tells, isouter=True)
    )
    every = union(select(hit.c.rid), telling).cte("every")
    return (
        select(*VERSION, every.c.rid)
        .select_from(every)
        .join(resource, resource.c.rid == every.c.rid)
        .join(version, CURRENT)
        .order_by(every.c.rid)
    )
