"""Searches by date against the table of `date_table`, whatever the zone of the machine.

Seen elsewhere: dates compared as text, or read in the server's zone (hapi-fhir#1334, medplum#4058, blaze#1498).
"""

import json
import os
import subprocess
import sys

import pytest
from starlette.testclient import TestClient

from tests.backends import fresh_url

from .date_table import ROWS, VERDICTS, Span, asked, expected, fill, span
from .walked import refused

ZONES = {"UTC": [0, 0], "Asia/Kathmandu": [20700, 20700], "America/St_Johns": [-9000, -12600]}


@pytest.mark.parametrize(
    ("prefix", "value", "target", "verdict"),
    [
        ("eq", "2013-01-14", ("2013-01-14T00:00Z",), True),
        ("eq", "2013-01-14", ("2013-01-14T10:00Z",), True),
        ("eq", "2013-01-14", ("2013-01-15T00:00Z",), False),
        ("ne", "2013-01-14", ("2013-01-15T00:00Z",), True),
        ("ne", "2013-01-14", ("2013-01-14T00:00Z",), False),
        ("ne", "2013-01-14", ("2013-01-14T10:00Z",), False),
        ("lt", "2013-01-14T10:00", ("2013-01-14",), True),
        ("gt", "2013-01-14T10:00", ("2013-01-14",), True),
        ("ge", "2013-03-14", ("2013-01-21", None), True),
        ("le", "2013-03-14", ("2013-01-21", None), True),
        ("sa", "2013-03-14", ("2013-03-15", None), True),
        ("sa", "2013-03-14", ("2013-01-21", None), False),
        ("sa", "2013-03-14", (None, "2013-01-21"), False),
        ("eb", "2013-03-14", ("2013-03-15", None), False),
        ("eb", "2013-03-14", ("2013-01-21", None), False),
        ("eb", "2013-03-14", (None, "2013-01-21"), True),
        ("ap", "2013-03-14", ("2013-03-14",), True),
        ("ap", "2013-03-14", ("2015-06-15",), False),
    ],
)
def test_the_oracle_says_what_the_page_says(
    prefix: str, value: str, target: tuple[str | None, ...], *, verdict: bool
) -> None:
    """Source: the worked examples of search.html#date; its ap of 21 January is left to the system by the page."""
    start, end = target[0], target[-1]
    covered = Span(span(start or "1900").low, span(end or "2999").high)
    assert VERDICTS[prefix](span(value), covered) is verdict


def test_the_table_has_119_rows_and_more_that_tell_each_other_apart() -> None:
    table = expected()
    assert len(table) == len(ROWS) >= 119
    assert len({tuple(found) for found in table.values()}) > 119


def test_every_row_finds_what_r4_says(client: TestClient) -> None:
    fill(client)
    found, wanted = asked(client), expected()
    assert {row: found[row] for row in ROWS if found[row] != wanted[row]} == {
        row: wanted[row] for row in ROWS if found[row] != wanted[row]
    }


def test_every_row_finds_the_same_in_every_zone(backend: str) -> None:
    """The process that indexes and asks, and PostgreSQL's session (PGTZ), are in the zone; the last two change clocks or
    lie beside whole hours.
    """
    for zone, offsets in ZONES.items():
        with fresh_url(backend) as url:
            done = subprocess.run(
                [sys.executable, "-m", "tests.api.date_table", url],
                env={**os.environ, "TZ": zone, "PGTZ": zone},
                capture_output=True,
                check=False,
            )
        assert done.returncode == 0, done.stderr.decode()[-2000:]
        told = json.loads(done.stdout)
        assert told["offsets"] == offsets, f"the machine does not know the zone {zone}"
        assert told["found"] == expected()


@pytest.mark.parametrize(
    "value",
    [
        *("13", "2013-1", "2013-13", "2013-02-29", "2013-01-14T10", "2013-01-14T10Z", "2013-01-14T25:00Z"),
        *("2013-01-14T10:00:00+5:45", "2013-01-14T10:00:00+15:00", "2013-01-14T10:60Z", "2013-01-14 10:00"),
        *("gtgt2013", "xx2013", "eq", "GT2013", "today", "20130114", "2013-01-14T10:00:00.Z", "10:00"),
    ],
)
def test_what_is_no_date_is_refused(client: TestClient, value: str) -> None:
    """Source: search.html#date (populated from the left, minutes present if an hour is), #errors."""
    refused(client.get("/fhir/Observation", params={"date": value}), 400, "value", "takes a date")
