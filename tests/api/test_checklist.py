"""The checklist leads to tests that are there, and the files written for it to rows."""

import ast
from functools import cache
from pathlib import Path

import pytest

from .checklist import MISTAKES, SECTIONS, Row

TESTS = Path(__file__).parents[1]
ROWS = [(section, row) for section, rows in SECTIONS.items() for row in rows]


@cache
def names_in(file: str) -> frozenset[str]:
    tree = ast.parse((TESTS / f"{file}.py").read_text("utf-8"))
    return frozenset(
        one.name for one in ast.walk(tree) if isinstance(one, ast.FunctionDef) and one.name.startswith("test_")
    )


@pytest.mark.parametrize(("section", "row"), ROWS, ids=[f"{section}: {row.key}" for section, row in ROWS])
def test_every_row_is_held_by_tests_that_are_there_or_says_why_not_yet(section: str, row: Row) -> None:
    assert row.says
    assert row.tests or row.later, f"{section}: {row.key} has no test and no reason"
    for name in row.tests:
        file, _, test = name.partition("::")
        assert test in names_in(file), f"{section}: {row.key} names {name}, which is not there"


def test_every_key_stands_once_and_every_mistake_of_the_list_has_its_row() -> None:
    keys = [(section, row.key) for section, row in ROWS]
    assert len(keys) == len(set(keys))
    assert [row.key for row in MISTAKES] == [str(number) for number in range(1, 26)]
    assert [row.key for row in MISTAKES if not row.tests] == ["25"]


@pytest.mark.parametrize(
    "file", ["api/test_interactions", "api/test_mistakes", "api/test_dates", "api/test_conditions"]
)
def test_every_test_written_for_the_list_stands_in_a_row(file: str) -> None:
    named = {name.partition("::")[2] for _, row in ROWS for name in row.tests if name.startswith(f"{file}::")}
    assert names_in(file) == named
