"""What a request will leave and has not stored yet, found by the same criteria as what is stored.

A test asks both the same questions: a criterion here says of a resource what the store says of it once it is there.
"""

import operator
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from fhirmod.store import Clause, Key, Operator, Sought, Value, microseconds, short

from .indexing import values
from .putting import indexed

_COLUMN = {"param": 0, "text": 1, "scope": 2, "low": 3, "high": 4}
_SAID: Mapping[Operator, Callable[[Any, Any], bool]] = {
    "=": operator.eq,
    "<": operator.lt,
    "<=": operator.le,
    ">": operator.gt,
    ">=": operator.ge,
    "holds": operator.contains,
}
_IDENTITY = frozenset(("_id", "_lastUpdated", "identifier"))  # the store holds these beside its values

Resource = Mapping[str, Any]


class Pending:
    """The resources that a request has so far changed; None is one that will be gone. Each is put once."""

    def __init__(self, now: datetime) -> None:
        self._changed: dict[Key, Resource | None] = {}
        self._by_identity = _Index(lambda id_, resource: list(_identity(id_, resource, microseconds(now))))
        self._by_all = _Index(lambda id_, resource: [*_identity(id_, resource, microseconds(now)), *values(resource)])

    def put(self, type_: str, id_: str, resource: Resource | None) -> None:
        """Return nothing; this resource will stand as given, or will be gone."""
        self._changed[type_, id_] = resource
        if resource is not None:
            for index in (self._by_identity, self._by_all):
                index.unread.append(((type_, id_), resource))

    def __contains__(self, key: Key) -> bool:
        return key in self._changed

    def meeting(self, type_: str, criteria: Sequence[Sought]) -> list[str]:
        """Return the ids of those of a type that meet every criterion, in the order in which they were put."""
        identity = all(_IDENTITY.issuperset(one.params) for one in criteria)
        return (self._by_identity if identity else self._by_all).meeting(type_, criteria)


class _Index:
    """Rows of resources, made when first asked for: most requests ask nothing, most that do ask for identifiers."""

    def __init__(self, rows_of: Callable[[str, Resource], list[Value]]) -> None:
        self._rows_of = rows_of
        self.unread: list[tuple[Key, Resource]] = []
        self._rows: dict[str, dict[str, list[Value]]] = {}
        self._carrying: dict[tuple[str, str, str], dict[str, None]] = {}

    def meeting(self, type_: str, criteria: Sequence[Sought]) -> list[str]:
        self._read()
        rows = self._rows.get(type_, {})
        carrying = (self._with_texts(type_, one) for one in criteria)
        some = min((one for one in carrying if one is not None), key=len, default=rows)
        return [id_ for id_ in some if all(meets(one, rows[id_]) for one in criteria)]

    def _read(self) -> None:
        for (type_, id_), resource in self.unread:
            rows = self._rows.setdefault(type_, {})[id_] = self._rows_of(id_, resource)
            for param, text, *_ in rows:
                self._carrying.setdefault((type_, param, text), {})[id_] = None
        self.unread.clear()

    def _with_texts(self, type_: str, sought: Sought) -> Mapping[str, Any] | None:
        """Return those that have one of the texts that a criterion names; None if it names none."""
        texts = [_text(clause) for clause in sought.clauses]
        if sought.none or None in texts:
            return None
        found: dict[str, None] = {}
        for param in sought.params:
            for text in texts:
                found |= self._carrying.get((type_, param, str(text)), {})
        return found


def meets(sought: Sought, rows: Iterable[Value]) -> bool:
    """Return whether a resource of these rows meets a criterion."""
    there = any(row[0] in sought.params and any(_met(clause, row) for clause in sought.clauses) for row in rows)
    return there != sought.none


def _met(clause: Clause, row: Value) -> bool:
    return all(_SAID[said](row[_COLUMN[column]], value) for column, said, value in clause)


def _text(clause: Clause) -> str | None:
    return next((str(value) for column, said, value in clause if (column, said) == ("text", "=")), None)


def _identity(id_: str, resource: Resource, now: float) -> Iterable[Value]:
    yield "_id", id_, "", 0.0, 0.0
    yield "_lastUpdated", "", "", now, now
    for param, system, code in indexed(resource)[0]:
        if param == "identifier":
            yield param, short(code), short(system), 0.0, 0.0
