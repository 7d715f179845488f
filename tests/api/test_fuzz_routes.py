"""Two thousand requests drawn from both route tables: none fails, and one that is refused, or only asks, writes nothing."""

import json
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from api.fhir import INTERACTIONS
from api.routes import ROUTES
from fhirmod.episode import KINDS
from tests.any_entry import any_entry
from tests.intake import partner
from tests.intake.case import new_id, told

from .test_fuzz import JSON, mutated, whole

CASES = 2_000
ROWS = [("", one.method, one.path) for one in ROUTES] + [("/fhir", one.method, one.path) for one in INTERACTIONS]
ROUNDS = 4
EACH = CASES // (ROUNDS * len(ROWS)) + 1
PLAIN = st.text("abcxyz019-._~$ é'\"|,:/\\", max_size=10)
NAMES = [
    "_id", "identifier", "identifier:not", "patient", "_count", "_after", "_format", "_since", "_sort", "_summary", "as_of",
    "known_at", "status", "limit", "after", "type", "all", "dryRun", "atomic", "distinct", "profile", "mode",
]  # fmt: skip
VALUES = ["", "0", "1", "-1", "true", "x", "2026-03-01T02:00:00Z", "2026-03-01", "urn:oid:2.999.1|W-17"]
QUERIES = st.dictionaries(st.sampled_from(NAMES), st.sampled_from(VALUES) | PLAIN, max_size=2)
HEADERS = st.dictionaries(
    st.sampled_from(["If-Match", "If-None-Match", "If-None-Exist", "Prefer", "Accept", "If-Modified-Since"]),
    st.sampled_from(
        ['W/"1"', 'W/"99"', "*", "x", "return=minimal", "application/fhir+xml", "identifier=urn:oid:2.999.1|W-17"]
    ),
    max_size=2,
)
KINDS_OF_BODY = ["application/json", "application/fhir+json", "application/json-patch+json", "text/plain", ""]
TABLES = ("resource", "version", "token", "reference", "member", "episode", "entry_log", "identity", "outbox")
PATCHES = [
    [{"op": "replace", "path": "/status", "value": "final"}],
    [{"op": "add", "path": "/note", "value": [{"text": "x"}]}, {"op": "remove", "path": "/code"}],
    [{"op": "test", "path": "/id", "value": "x"}],
    {
        "resourceType": "Parameters",
        "parameter": [{"name": "operation", "part": [{"name": "type", "valueCode": "delete"}]}],
    },
]


@dataclass(frozen=True)
class Loaded:
    """What is there to ask for: the episodes, and the current resources."""

    episodes: list[str]
    resources: list[dict[str, Any]]


def loaded(client: TestClient) -> Loaded:
    """Return a service's record after a bedside case and a partner's case were taken."""
    opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    first = client.post("/episodes", json=opening).json()["episode"]
    assert client.post(f"/episodes/{first}/entries", json=told()).status_code == 200
    assert client.post("/fhir", content=partner.transaction()).status_code == 200
    episodes = [one["episode"] for one in client.get("/episodes").json()["episodes"]]
    bundles = [client.get(f"/episodes/{one}/bundle").json() for one in episodes]
    return Loaded(episodes, [entry["resource"] for bundle in bundles for entry in bundle["entry"]])


def body_for(data: st.DataObject, path: str, method: str, record: Loaded) -> bytes:
    """Return a body that is nearly right for its route, or not at all."""
    if not data.draw(st.integers(0, 11)):
        return data.draw(st.binary(max_size=60))
    resource = data.draw(st.sampled_from(record.resources))
    value: Any
    if path.startswith("/episodes"):
        entry = json.loads(
            json.dumps(data.draw(any_entry(data.draw(st.sampled_from(sorted(KINDS))))).document(), default=float)
        )
        value = [entry, mutated(data, entry)] if data.draw(st.booleans()) else mutated(data, entry)
    elif method == "PATCH":
        value = mutated(data, data.draw(st.sampled_from(PATCHES)))
    elif path == "/fhir":
        method, id_ = data.draw(st.sampled_from(["POST", "PUT", "DELETE", "GET", "PATCH"])), resource["id"]
        url = resource["resourceType"] + ("" if method == "POST" else f"/{id_}")
        entries = [{"resource": resource, "request": {"method": method, "url": url}}]
        type_ = data.draw(st.sampled_from(["transaction", "batch"]))
        value = mutated(data, {"resourceType": "Bundle", "type": type_, "entry": entries})
    else:
        value = mutated(data, resource)
    return json.dumps(value if value is not None else data.draw(JSON)).encode("utf-8", "surrogatepass")


def path_for(data: st.DataObject, prefix: str, path: str, record: Loaded) -> str:
    """Return the address of a row with its names filled in: by what is there, or by something odd."""
    resource = data.draw(st.sampled_from(record.resources))
    odd = st.sampled_from(["x", "..", "a" * 64, "a" * 65, "%00", "%F0%9F%92%A9", new_id()])
    there = {"type": resource["resourceType"], "id": resource["id"], "version": "1", "episode": record.episodes[0]}
    for name, value in there.items():
        path = path.replace(f"{{{name}}}", value if data.draw(st.integers(0, 5)) else data.draw(odd))
    return prefix + path


@contextmanager
def watching(client: TestClient) -> Iterator[tuple[Callable[[], int], Callable[[], tuple[int, ...]]]]:
    """Return what moves with every commit of another, and what counts the rows, by a connection of its own.

    Shape: PostgreSQL has nothing that moves with commits alone; there the rows must do.
    """
    db = str(client.app.state.parts.settings.db)  # type: ignore[attr-defined]
    counts = "SELECT " + ", ".join(f"(SELECT count(*) FROM {table})" for table in TABLES)
    if db.startswith("postgresql"):
        import psycopg

        with psycopg.connect(db, autocommit=True) as server:
            yield lambda: 0, lambda: tuple(server.execute(counts.encode()).fetchone() or ())
    else:
        with closing(sqlite3.connect(db)) as file:
            yield (
                lambda: int(file.execute("PRAGMA data_version").fetchone()[0]),
                lambda: tuple(file.execute(counts).fetchone()),
            )


def test_no_request_fails_and_one_that_is_refused_or_only_asks_writes_nothing(client: TestClient) -> None:
    record = loaded(client)
    seen: Counter[tuple[str, str, str]] = Counter()
    outcomes: Counter[int] = Counter()
    with watching(client) as (version, accepted):

        @settings(max_examples=EACH, deadline=None, suppress_health_check=list(HealthCheck), database=None)
        @given(data=st.data())
        def ask(row: tuple[str, str, str], data: st.DataObject) -> None:
            prefix, method, template = row
            path = path_for(data, prefix, template, record)
            headers = data.draw(HEADERS)
            body = None
            if method in ("POST", "PUT", "PATCH"):
                body = body_for(data, prefix + template, method, record)
                headers |= {"Content-Type": data.draw(st.sampled_from(KINDS_OF_BODY))}
            before, kept = version(), accepted()
            answer = client.request(method, path, params=data.draw(QUERIES), content=body, headers=headers)
            said = (method, path, headers, body, answer.status_code, answer.text[:400])
            assert answer.status_code < 500, said
            if answer.status_code >= 400 or method == "GET" or template.endswith("$validate"):
                assert accepted() == kept, said
                assert template.endswith("/entries") or version() == before, said  # a refused entry is held for repair
            seen[row] += 1
            outcomes[answer.status_code // 100] += 1

        for _ in range(ROUNDS):  # each row each time, so none is missed by chance and deletions come between
            for row in ROWS:
                ask(row)
    assert seen.total() >= CASES
    assert set(seen) == set(ROWS)
    assert min(outcomes[2], outcomes[4]) > CASES // 20  # neither refuses everything nor takes everything
    whole(client)
