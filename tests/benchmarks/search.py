"""Searches of a large record: every kind over HTTP, and code with time against SQL written by hand for this table.

The record has a million search values (a tenth of that in the short round): observations of some five hundred women over two
years, three in eight of them pulses. The baseline is one statement a question in the driver's own words, on the same file and
with everything known beforehand: which table and index answers it, what the words of the question mean. What it leaves
out is what makes a search of FHIR: to read the question, choose what drives it, and write the Bundle.
"""

import gc
import http.client
import json
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from itertools import chain, islice
from pathlib import Path
from typing import Any

from fhirmod.intake import Asking, criterion, merged
from fhirmod.intake.indexing import brief, values
from fhirmod.r4 import dump
from fhirmod.store import Access, Page, Put, Store, microseconds, open_store
from fhirmod.store.rows import field
from tests.postgresql import binaries, cluster

from .bedside import serving

ALL = Access.whole("benchmark")
PORT = 18_810
LOINC, WOMEN, DAYS = "http://loinc.org", 499, 730
CODES = ("8867-4", "8480-6", "9279-1", "8867-4", "8310-5", "59408-5", "8867-4", "9843-4")
START = datetime(2024, 3, 1, tzinfo=UTC)
NOW = "2026-03-01T00:00:00.000Z"
AT_ONCE, WARM = 500, 5
QUESTIONS: dict[str, str] = {
    "code and a day": f"Observation?code={LOINC}|8867-4&date=ge{{day}}&date=lt{{next}}&_count=20",
    "code and a day, newest first": f"Observation?code={LOINC}|8867-4&date={{day}}&_sort=-date&_count=20",
    "code since a week ago": "Observation?code=8867-4&date=ge2026-02-22&_count=20",
    "woman and code, newest first": "Observation?patient=w{woman}&code=8867-4&_sort=-date&_count=20",
    "newest of all": "Observation?_sort=-date&_count=20",
    "newest of a code": f"Observation?code={LOINC}|8480-6&_sort=-date&_count=20",
    "last written": "Observation?_sort=-_lastUpdated&_count=20",
    "woman": "Observation?patient=w{woman}&_count=20",
    "code": f"Observation?code={LOINC}|8867-4&_count=20",
    "day": "Observation?date={day}&_count=20",
    "status and day": "Observation?status=final&date={day}&_count=20",
    "value": "Observation?value-quantity={value}&_count=20",
    "value with unit, code and day": "Observation?value-quantity=gt90||/min&code=8867-4&date={day}&_count=20",
    "written since": "Observation?_lastUpdated=gt2026-03-02&_count=20",
    "chain to an identifier": "Observation?patient.identifier=urn:bench|{woman}&_count=20",
    "chain to a name": "Observation?patient.name=woman-{woman}&code=8867-4&_count=20",
    "chain to a broad one": "Observation?patient.gender=female&_count=20",
    "women who had a code on a day": "Patient?_has:Observation:patient:date={day}&_count=20",
    "one identifier": "Patient?identifier=urn:bench|{woman}",
    "no search, one read": "Patient/w{woman}",
}


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return p95 of each question over HTTP in milliseconds, and of code and time the ratio to SQL by hand."""
    size, asked = (100_000, 60) if short else (1_000_000, 200)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        rows += _figures("SQLite", f"sqlite:///{folder}/search.db", size, asked, Path(folder) / "search.db")
    if binaries() is not None:
        with cluster(durable=True) as server:
            url = server.database()
            rows += _figures("PostgreSQL", url, size, asked, None, lambda: server.run("VACUUM ANALYZE", url))
    return rows


def _figures(
    name: str, url: str, size: int, asked: int, file: Path | None, settle: Callable[[], Any] = lambda: None
) -> list[tuple[str, float, str]]:
    with open_store(url) as store:
        written = _fill(store, size)
        settle()
    command = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(PORT), "--database", url]
    taken: dict[str, list[float]] = {question: [] for question in QUESTIONS}
    with serving(command, PORT):
        client = http.client.HTTPConnection("127.0.0.1", PORT, timeout=60)
        gc.collect()
        for turn in range(-WARM, asked):
            for question, words in QUESTIONS.items():
                begun = time.perf_counter()
                _ask(client, words, turn)
                spent = (time.perf_counter() - begun) * 1000
                if turn >= 0:
                    taken[question].append(spent)
    figures = [
        (
            f"ms p95, {question}",
            _p95(each),
            f"{name}, {written:,} search values, over HTTP; median {statistics.median(each):.1f}; target 5",
        )
        for question, each in taken.items()
    ]
    return figures if file is None else [*_against_hand(url, file, asked), *figures]


def _against_hand(url: str, file: Path, asked: int) -> list[tuple[str, float, str]]:
    """Return how a search for a code and a day compares with SQL by hand, taken in turn in one process."""
    ours: list[float] = []
    hand: list[float] = []
    with open_store(url) as store, closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as plain:
        for turn in range(-WARM, asked * 3):
            begun = time.perf_counter()
            found = _by_hand(plain, turn)
            between = time.perf_counter()
            page = _by_us(store, turn)
            done = time.perf_counter()
            assert [one.body for one in page.versions] == found
            if turn >= 0:
                hand.append((between - begun) * 1000)
                ours.append((done - between) * 1000)
    remark = f"{_p95(hand):.2f} ms by hand; medians {statistics.median(ours):.2f} and {statistics.median(hand):.2f}; target 3"
    return [("x p95 of a code and a day to SQL by hand, SQLite", _p95(ours) / _p95(hand), remark)]


def _fill(store: Store, size: int) -> int:
    """Return how many search values were written."""
    women = [_put("Patient", f"w{n:03}", {**_WOMAN, "name": [{"text": f"Woman-{n:03}"}]}, n) for n in range(WOMEN)]
    written = sum(len(one.values) for one in women)
    store.write(lambda writer: writer.put(ALL, women, NOW))
    each = chain.from_iterable(_observations(n) for n in range(10**6))
    while written < size:
        some = [_put("Observation", one["id"], one, None) for one in islice(each, AT_ONCE)]
        written += sum(len(one.values) for one in some)
        store.write(lambda writer, puts=some: writer.put(ALL, puts, NOW))  # type: ignore[misc]
    return written


_WOMAN: dict[str, Any] = {"resourceType": "Patient", "gender": "female"}


def _observations(number: int) -> Iterator[dict[str, Any]]:
    moment = START + timedelta(minutes=number * 7919 % (DAYS * 1440))
    code = CODES[number % len(CODES)]
    yield {
        "resourceType": "Observation",
        "id": f"o{number}",
        "status": "final",
        "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category"}]}],
        "code": {"coding": [{"system": LOINC, "code": code}], "text": "a sign"},
        "subject": {"reference": f"Patient/w{number * 7 % WOMEN:03}"},
        "effectiveDateTime": moment.isoformat().replace("+00:00", "Z"),
        "valueQuantity": {
            "value": 50 + number % 100,
            "unit": "/min",
            "system": "http://unitsofmeasure.org",
            "code": "/min",
        },
    }


def _put(type_: str, id_: str, resource: dict[str, Any], identifier: int | None) -> Put:
    body = dump({**resource, "id": id_})
    tokens = (("identifier", "urn:bench", f"{identifier:03}"),) if identifier is not None else ()
    return Put(type_, id_, "asserted", "PUT", body, tokens, values=values(resource))


def _day(turn: int) -> datetime:
    return START + timedelta(days=turn * 31 % DAYS)


def _ask(client: http.client.HTTPConnection, words: str, turn: int) -> dict[str, Any]:
    day = _day(turn)
    filled = words.format(
        day=f"{day:%Y-%m-%d}",
        next=f"{day + timedelta(days=1):%Y-%m-%d}",
        woman=f"{turn * 13 % WOMEN:03}",
        value=60 + turn % 80,
    )
    client.request("GET", "/fhir/" + filled.replace("|", "%7C"))
    answer = client.getresponse()
    body = answer.read()
    assert answer.status == 200, body
    return dict(json.loads(body))


_PLAIN = """
SELECT v.body FROM (
  SELECT rid FROM search_value
  WHERE field = ? AND text = '8867-4' AND low >= ? AND low < ? AND scope = ?
  ORDER BY rid LIMIT 21
) AS hit JOIN resource r ON r.rid = hit.rid JOIN version v ON v.rid = r.rid AND v.version = r.version ORDER BY hit.rid
"""


def _by_hand(plain: sqlite3.Connection, turn: int) -> list[bytes]:
    low = microseconds(_day(turn))
    known = field("Observation", "code:date"), low, low + 86_400e6, brief(LOINC)
    return [row[0] for row in plain.execute(_PLAIN, known)][:20]


def _by_us(store: Store, turn: int) -> Page:
    """Return the page of the same search, from the words of the question on."""
    day = _day(turn)
    behind = day + timedelta(days=1)
    words = (("code", f"{LOINC}|8867-4"), ("date", f"ge{day:%Y-%m-%d}"), ("date", f"lt{behind:%Y-%m-%d}"))
    asking = Asking("http://here/fhir", day)
    asked = merged("Observation", [criterion("Observation", name, value, asking) for name, value in words])
    return store.read(lambda reader: reader.search(ALL, "Observation", asked, count=20, counted=False))


def _p95(figures: list[float]) -> float:
    return statistics.quantiles(figures, n=20)[-1]
