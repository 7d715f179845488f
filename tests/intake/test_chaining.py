"""Criteria of searches as statements of both databases."""

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from fhirmod.intake import Asking, criterion, orders
from fhirmod.store import Store, open_store
from fhirmod.store.cursors import Cursor
from fhirmod.store.search import FEW, paged, planned, sampled, total

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
    asked = [criterion("Observation", name, "eve,ada", asking) for name in DEEPEST]
    order = orders("Observation", "date,-code,subject,status,_id")
    search = planned("Observation", asked, [0 if n == driving else FEW for n in range(len(asked))])
    assert (search.driving is None) == (driving is None)
    behind = Cursor(3, 7, (1.0, "x", None, "y", "z"))
    for statement in (sampled("Observation", asked), total(search), paged(search, order, behind, 3)):
        assert store.read(lambda reader, run=statement: reader._select(run)) is not None  # type: ignore[misc]
