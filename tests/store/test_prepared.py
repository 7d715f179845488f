"""Statements that are kept as text."""

import gc
from weakref import ref

from sqlalchemy import Select, bindparam, select
from sqlalchemy.dialects import sqlite

from fhirmod.store.prepared import filled
from fhirmod.store.tables import resource

TEXT = "SELECT resource.rid \nFROM resource \nWHERE resource.type = ? AND resource.version = ?"


def test_a_search_keeps_the_text_of_its_statement_and_lets_go_what_it_was_built_of() -> None:
    """What SQLAlchemy builds of one search weighs up to 13 MB; hundreds of shapes are kept."""
    built = []

    @filled
    def asked(version: int) -> Select[tuple[int]]:
        made = select(resource.c.rid).where(resource.c.type == bindparam("v0"), resource.c.version == version)
        built.append(ref(made))
        return made

    for value in ("Patient", "Device"):
        text, given = asked(3).of(sqlite.dialect(), {"v0": value})
        assert (text, given) == (TEXT, [value, 3])
    gc.collect()
    assert [one() for one in built] == [None]
