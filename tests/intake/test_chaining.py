"""Criteria of searches as statements of both databases."""

from collections.abc import Iterator
from datetime import UTC, datetime
from functools import partial

import pytest

from fhirmod.intake import Asking, criterion, orders
from fhirmod.store import Reader, Store, open_store
from fhirmod.store.paging import paged, total
from fhirmod.store.search import FEW, planned, sampled
from fhirmod.store.sought import Values, form

DEEPEST = (
    "has-member.has-member.subject.name",
    "_has:Observation:has-member:_has:Observation:has-member:subject.name",
    "subject.identifier:not",
)


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as opened:
        yield opened


@pytest.mark.parametrize("driving", [*range(len(DEEPEST)), None])
def test_the_longest_chains_in_the_longest_search_are_read_by_the_databases(store: Store, driving: int | None) -> None:
    """SQLite's parser ends a statement that is nested too deep (https://www.sqlite.org/limits.html)."""
    asking = Asking("", datetime(2026, 3, 1, tzinfo=UTC))
    names: Values = {}
    asked = tuple(form(criterion("Observation", name, "eve,ada", asking), names) for name in DEEPEST)
    order = orders("Observation", "date,-code,subject,status,_id")
    search = planned("Observation", asked, [0 if n == driving else FEW for n in range(len(asked))])
    assert search.driving == driving
    keys = {f"key{number}": 1.0 if number == 0 else "x" for number in range(len(order))}
    values: dict[str, object] = {"rid": 7, "count": 3, **keys, **{name: value for value, name in names.items()}}
    sample = sampled("Observation", asked)
    assert sample is not None
    for statement in (sample, total(search), paged(search, order, (True, True, False, True, True))):
        assert store.read(partial(Reader._filled, statement=statement, values=values)) is not None
