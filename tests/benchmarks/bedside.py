"""One bedside vital-signs POST on a 150-entry episode, against writing the same rows with ready bytes.

Both go through one real uvicorn process over loopback, one request after the other and interleaved, and
through the same writer; the baseline's route neither checks nor maps nor computes: it writes rows made before, those of
the search index among them.
"""

import http.client
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any
from uuid import UUID

PORT = 18_790
_ids = count(1)
SERVER = """
import gc, sys
from pathlib import Path
import uvicorn
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from api import Settings, create_app
from api.clock import wall_clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.intake.indexing import values
from fhirmod.r4 import parse
from fhirmod.store import Access, EntryRow, OutboxRow, Put, open_store

A = Access.whole("bench")
store = open_store(f"sqlite:///{sys.argv[1]}/bench.db")
clock = wall_clock()
app = create_app(Settings(port=int(sys.argv[2])), Intake(store, Protocol.default()), clock)
ready = {}


async def rows(request: Request) -> Response:
    episode = request.path_params["episode"]
    await request.body()
    if episode not in ready:
        def last(reader):
            versions = reader.members(A, episode)
            newest = versions[-1].episode_version
            return [(one, values(parse(one.body))) for one in versions if one.episode_version == newest]
        ready[episode] = store.read(last)
    new = clock.new_id()
    puts = [
        Put(one.type, f"{new}.{number}", one.owner, "POST", one.body,
            (("identifier", "urn:bench", new),), (("patient", "Patient", "p"),), episode, "entry",
            found_by)
        for number, (one, found_by) in enumerate(ready[episode])
    ]

    def work(writer):
        writer.lock(A, episode)
        writer.entry(A, new)
        version = writer.bump(A, episode, stamp=new)
        writer.put(A, puts, "2026-03-01T00:00:00.000Z", version)
        writer.log_entries(A, [EntryRow(new, b"0" * 32, "2026-03-01T00:00:00.000Z", episode)])
        writer.outbox(A, [OutboxRow("episode", episode, b"1", "2026-03-01T00:00:00.000Z")])

    await run_in_threadpool(store.write, work)
    return Response(b"{}", media_type="application/json")


app.router.routes.insert(0, Route("/bench/{episode}", rows, methods=["POST"]))
gc.collect(); gc.freeze()
uvicorn.run(app, port=int(sys.argv[2]), log_level="error", access_log=False)
"""


def vitals(minute: int) -> dict[str, Any]:
    return {
        "kind": "vital-signs",
        "id": str(UUID(int=next(_ids) + (4 << 76) + (8 << 60))),
        "at": f"2026-03-01T{2 + minute // 60 % 20:02}:{minute % 60:02}:00Z",
        "pulse_per_min": 90 + minute % 30,
        "systolic_mmhg": 100,
        "diastolic_mmhg": 60,
        "respiratory_rate_per_min": 18,
        "spo2_percent": 97,
        "mental_state": "alert",
        "performed_by": {"id": "m1", "role": "midwife"},
    }


class Client:
    """One kept-alive connection."""

    def __init__(self, port: int) -> None:
        self._connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)

    def post(self, path: str, value: Any) -> dict[str, Any]:
        self._connection.request("POST", path, json.dumps(value), {"Content-Type": "application/json"})
        answer = self._connection.getresponse()
        body = answer.read()
        assert answer.status < 300, (answer.status, body[:500])
        return dict(json.loads(body))


@contextmanager
def serving(command: list[str], port: int) -> Iterator[tuple[subprocess.Popen[bytes], float]]:
    """Run a server process; give it and the seconds to its first answer."""
    begun = time.perf_counter()
    with subprocess.Popen(command, env=os.environ | {"PYTHONUNBUFFERED": "1"}, stderr=subprocess.DEVNULL) as process:
        try:
            yield process, _first_answer(port, begun)
        finally:
            process.terminate()


def _first_answer(port: int, begun: float) -> float:
    while time.perf_counter() - begun < 20:
        try:
            connection = http.client.HTTPConnection("127.0.0.1", port, timeout=1)
            connection.request("GET", "/health")
            if connection.getresponse().status == 200:
                return time.perf_counter() - begun
        except OSError:
            time.sleep(0.01)
    raise TimeoutError("the service gave no answer")


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return the figures of issue and design: ratios to the baseline, then absolute ones of this machine."""
    rounds, posts = (3, 40) if short else (7, 150)
    rows: list[tuple[str, float, str]] = []
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-c", SERVER, folder, str(PORT)]
        with serving(command, PORT) as (process, _):
            client = Client(PORT)
            episodes = [opened(client) for _ in range(2)]
            full, bare = f"/episodes/{episodes[0]}/entries", f"/bench/{episodes[1]}"
            times: dict[str, list[float]] = {full: [], bare: []}
            for _ in range(rounds):
                for path in (full, bare):
                    for number in range(posts // 3):
                        times[path].append(timed(lambda path=path, number=number: client.post(path, vitals(number))))  # type: ignore[misc]
            rows += _latency(times[full], times[bare])
            rows += _throughput(client, rounds, posts)
            rows.append(("MiB resident of that service", resident(process.pid), "whatever was posted above"))
        fresh = [sys.executable, "-m", "fhirmod.cli", "serve", "--port", str(PORT + 1), "--db", f"{folder}/fresh.db"]
        starts = []
        for _ in range(rounds):
            with serving(fresh, PORT + 1) as (process, seconds):
                starts.append(seconds)
        rows.append(("s start-up to the first answer", statistics.median(starts), "target under 1.5"))
        with serving(fresh, PORT + 1) as (process, _):
            client = Client(PORT + 1)
            episode = opened(client, entries=0)
            errors_at_200 = offered(episode, PORT + 1, 200, 1 if short else 5)
            rows.append(("p95 ms at 200 posts/s offered", errors_at_200, "no error, one worker"))
            for number in range(1000):
                client.post(f"/episodes/{episode}/entries", vitals(number))
            rows.append(("MiB resident after 1,000 posts", resident(process.pid), "target under 150"))
    command_line = [
        timed(
            lambda: subprocess.run([sys.executable, "-m", "fhirmod.cli", "--version"], check=True, capture_output=True)
        )
        for _ in range(5)
    ]
    rows.append(("s for the command line to say its version", statistics.median(command_line), "target under 0.5"))
    return rows


def opened(client: Client, entries: int = 150) -> str:
    opening = {"facility": {"id": "clinic-7"}, "at": "2026-03-01T02:00:00Z"}
    episode = str(client.post("/episodes", opening)["episode"])
    if entries:
        client.post(f"/episodes/{episode}/entries", [vitals(number) for number in range(entries)])
        client.post(f"/episodes/{episode}/entries", vitals(entries))
    return episode


def timed(work: Callable[[], Any]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _latency(full: list[float], bare: list[float]) -> list[tuple[str, float, str]]:
    p95 = [statistics.quantiles(one, n=20)[18] * 1000 for one in (full, bare)]
    p50 = [statistics.median(one) * 1000 for one in (full, bare)]
    return [
        (
            "x p95 of one POST over ready rows",
            p95[0] / p95[1],
            f"{p95[0]:.2f} ms over {p95[1]:.2f} ms; target at most 3",
        ),
        ("x p50 of one POST over ready rows", p50[0] / p50[1], f"{p50[0]:.2f} ms over {p50[1]:.2f} ms"),
    ]


def _throughput(client: Client, rounds: int, posts: int) -> list[tuple[str, float, str]]:
    """Return posts per second from 8 connections, each on its own 150-entry episode, both ways in turn."""
    own = {kind: [opened(client) for _ in range(8)] for kind in ("full", "bare")}
    rates: dict[str, list[float]] = {"full": [], "bare": []}
    for _ in range(rounds):
        for kind, rate in rates.items():
            paths = [f"/episodes/{one}/entries" if kind == "full" else f"/bench/{one}" for one in own[kind]]
            begun = time.perf_counter()
            with ThreadPoolExecutor(8) as pool:
                list(pool.map(lambda path: _posts(path, posts // 3), paths))
            rate.append(8 * (posts // 3) / (time.perf_counter() - begun))
    full, bare = statistics.median(rates["full"]), statistics.median(rates["bare"])
    return [
        ("x throughput of POSTs to ready rows", full / bare, f"{full:,.0f}/s to {bare:,.0f}/s; target at least 0.3")
    ]


def _posts(path: str, count: int) -> None:
    client = Client(PORT)
    for number in range(count):
        client.post(path, vitals(number))


def offered(episode: str, port: int, rate: int, seconds: int) -> float:
    """Return the p95 in ms of posts offered at a steady rate, 8 connections."""
    waits: list[float] = []
    start = time.perf_counter() + 0.1

    def lane(index: int) -> None:
        client = Client(port)
        for number in range(rate * seconds // 8):
            due = start + (number * 8 + index) / rate
            time.sleep(max(0.0, due - time.perf_counter()))
            waits.append(timed(lambda number=number: client.post(f"/episodes/{episode}/entries", vitals(number))))  # type: ignore[misc]

    lanes = [threading.Thread(target=lane, args=(index,)) for index in range(8)]
    for one in lanes:
        one.start()
    for one in lanes:
        one.join()
    assert len(waits) == rate * seconds // 8 * 8
    return statistics.quantiles(waits, n=20)[18] * 1000


def resident(pid: int) -> float:
    """Return the resident memory of a process in MiB (Linux)."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    return float("nan")
