"""POST of an Observation at sixteen connections: through /fhir, and on bare ASGI doing the same work.

The same work is what no such server can leave out: the exact parse, the judgement of R4 and the profiles, what finds the
resource, one durable transaction with version, index and outbox, and the stored resource as the answer. What it leaves
out is the rest of ours: routes, headers and scopes, conditions and references, the episode it may belong to, the receipt.
"Ready rows" leaves out all but the transaction. All three stand in one uvicorn process and take turns.
"""

import http.client
import statistics
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor

from fhirmod.r4 import dump

from .bedside import serving

PORT = 18_811
CONNECTIONS = 16
WAYS = {"through /fhir": "/fhir/Observation", "the same work": "/same", "ready rows": "/rows"}
SERVER = """
import gc, sys
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response
from starlette.routing import Route
from api import Settings, create_app
from api.clock import wall_clock
from fhirmod.episode import Protocol
from fhirmod.intake import Intake
from fhirmod.intake.incoming import read_resource
from fhirmod.intake.indexing import values
from fhirmod.intake.putting import body_of, indexed
from fhirmod.r4 import parse
from fhirmod.store import Access, OutboxRow, Put, open_store

A = Access.whole("bench")
clock = wall_clock()
store = open_store(f"sqlite:///{sys.argv[1]}/rest.db")
app = create_app(Settings(port=int(sys.argv[2])), Intake(store, Protocol.default()), clock)
NOW = "2026-03-01T00:00:00.000Z"
ready = {}


def kept(resource):
    new = clock.new_id()
    tokens, references = indexed(resource)
    body = body_of({**resource, "id": new})(1, NOW)
    put = Put("Observation", new, "asserted", "POST", body, tokens, references, values=values(resource))
    written(put, new)
    return body


def written(put, new):
    def work(writer):
        writer.put(A, [put], NOW)
        writer.outbox(A, [OutboxRow("resource", new, b"1", NOW)])

    store.write(work)


async def same(request):
    text = await request.body()
    body = await run_in_threadpool(lambda: kept(read_resource(text, "Observation")))
    return Response(body, status_code=201, media_type="application/fhir+json")


async def rows(request):
    text = await request.body()
    if not ready:
        resource = parse(text)
        ready["put"] = Put("Observation", "", "asserted", "POST", text, *indexed(resource), values=values(resource))
    new = clock.new_id()
    await run_in_threadpool(written, ready["put"]._replace(id=new), new)
    return Response(text, status_code=201, media_type="application/fhir+json")


bare = Starlette(routes=[Route("/same", same, methods=["POST"]), Route("/rows", rows, methods=["POST"])])


async def both(scope, receive, send):
    await (bare if scope.get("path") in ("/same", "/rows") else app)(scope, receive, send)


gc.collect(); gc.freeze()
uvicorn.run(both, port=int(sys.argv[2]), log_level="error", access_log=False)
"""
BODY = dump(
    {
        "resourceType": "Observation",
        "status": "final",
        "category": [
            {
                "coding": [
                    {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4", "display": "Heart rate"}]},
        "subject": {"display": "a woman"},
        "effectiveDateTime": "2026-03-01T02:05:00+01:00",
        "valueQuantity": {"value": 96, "unit": "/min", "system": "http://unitsofmeasure.org", "code": "/min"},
    }
)


def run(*, short: bool = False) -> list[tuple[str, float, str]]:
    """Return the throughput of /fhir as ratios to the two others."""
    rounds, posts = (3, 8) if short else (9, 25)
    rates: dict[str, list[float]] = {way: [] for way in WAYS}
    with tempfile.TemporaryDirectory() as folder, serving([sys.executable, "-c", SERVER, folder, str(PORT)], PORT):
        for turn in range(rounds + 1):
            for way, path in WAYS.items():
                begun = time.perf_counter()
                with ThreadPoolExecutor(CONNECTIONS) as pool:
                    list(pool.map(_posts, [path] * CONNECTIONS, [posts] * CONNECTIONS))
                if turn:  # the first is to warm up
                    rates[way].append(CONNECTIONS * posts / (time.perf_counter() - begun))
    ours, same, rows = (statistics.median(rates[way]) for way in WAYS)
    return [
        ("x throughput of POST at 16 connections to the same work", ours / same, f"{ours:,.0f}/s; target at least 0.5"),
        ("x throughput of POST at 16 connections to ready rows", ours / rows, f"{rows:,.0f}/s of ready rows"),
    ]


def _posts(path: str, count: int) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", PORT, timeout=60)
    for _ in range(count):
        connection.request("POST", path, BODY, {"Content-Type": "application/fhir+json"})
        answer = connection.getresponse()
        body = answer.read()
        assert answer.status == 201, body
    connection.close()
