"""The bedside side: open an episode, append entries, ask for its state. JSON bytes in, JSON bytes out."""

from collections.abc import Callable, Mapping
from typing import Any, TypeVar

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from fhirmod.compute import state
from fhirmod.episode import Moment
from fhirmod.errors import InvalidError, NotFoundError
from fhirmod.exchange import CAUTIONS, case_bundle
from fhirmod.intake import EntryResult, Receipt, Snapshot
from fhirmod.intake.receipt import result_document
from fhirmod.r4 import dump, parse
from fhirmod.store import Access, Reader

from . import describing
from .asking import Parts, flags, instant, number, read_body, truth
from .problems import FHIR_JSON, JSON

T = TypeVar("T")
router = APIRouter(prefix="/episodes", tags=["bedside"])
_NO_PARAMETERS: frozenset[str] = frozenset()
_STATUS = {"accepted": 200, "repeat": 200, "waiting": 202, "refused": 422, "conflict": 409, "ask": 409}


def answer(value: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return JSON values as they are: Decimals keep their digits."""
    return Response(dump(value), status, dict(headers or {}), JSON)


@router.post("", **describing.OPEN)
async def open_episode(request: Request) -> Response:
    """Open an episode: facility and time are enough. Sending the same opening again changes nothing."""
    parts = parts_of(request)
    query = flags(request.query_params, _NO_PARAMETERS)
    del query
    document = parse(await read_body(request, parts))
    snapshot, result = await run_in_threadpool(parts.intake.open, parts.request(), document)
    status = 201 if result.status == "accepted" else 200
    body = {"episode": snapshot.row.id, "version": snapshot.row.version, "entry": result_document(result)}
    return answer(body, status, {"Location": f"/episodes/{snapshot.row.id}"})


@router.get("", **describing.LIST)
async def list_episodes(request: Request) -> Response:
    """List episodes, last opened first."""
    parts = parts_of(request)
    query = flags(request.query_params, frozenset({"status", "limit", "after"}))
    status = query.get("status")
    if status not in (None, "open", "closed"):
        raise InvalidError(f"The parameter status must be open or closed; got {status[:20]!r}.", place="status")
    limit = number(query, "limit", parts.settings.page, parts.settings.most_per_page)

    def read(reader: Reader, access: Access) -> Any:
        rows = reader.episodes(access, status, limit, query.get("after"))  # type: ignore[arg-type]
        return {"episodes": [_head(row) for row in rows]}

    return answer(await _reading(parts, read))


@router.get("/{episode}", **describing.HEAD)
async def read_episode(request: Request, episode: str) -> Response:
    """Show the head of an episode: where and when it was opened, its anchor in FHIR, its version."""
    parts = parts_of(request)
    flags(request.query_params, _NO_PARAMETERS)
    return answer(_head((await _snapshot(parts, episode)).row))


@router.post("/{episode}/entries", **describing.APPEND)
async def append_entries(request: Request, episode: str) -> Response:
    """Append one entry or a queue; each entry of a queue is judged alone, and a refused one is held for repair."""
    parts = parts_of(request)
    query = flags(request.query_params, frozenset({"atomic", "distinct", "dryRun"}))
    atomic, distinct, dry_run = (truth(query, name) for name in ("atomic", "distinct", "dryRun"))
    sent = parse(await read_body(request, parts))
    if isinstance(sent, dict) and set(sent) == {"entries"}:
        sent = sent["entries"]
    alone = not isinstance(sent, list)
    receipt: Receipt = await run_in_threadpool(
        parts.intake.append,
        parts.request(dry_run=dry_run),
        episode,
        [sent] if alone else sent,
        atomic=atomic,
        distinct=distinct,
    )
    return answer(receipt.document(), _status(receipt.entries) if alone else 200)


def _status(results: tuple[EntryResult, ...]) -> int:
    return _STATUS[results[0].status]


@router.get("/{episode}/entries", **describing.ENTRIES)
async def read_entries(request: Request, episode: str) -> Response:
    """List the entries that stand, as of a moment and as known at a moment; or all that were received."""
    parts = parts_of(request)
    query = flags(request.query_params, frozenset({"as_of", "known_at", "all"}))
    as_of, known_at = instant(query, "as_of"), instant(query, "known_at")
    snapshot = await _snapshot(parts, episode)
    if truth(query, "all"):
        received = [
            {"received_at": Moment.of(one.at).text, "inferred": one.inferred, "entry": one.entry.document()}
            for one in snapshot.episode.received
            if known_at is None or one.at <= known_at
        ]
        return answer({"episode": episode, "version": snapshot.row.version, "received": received})
    standing = snapshot.episode.standing(as_of=as_of, known_at=known_at)
    entries = [entry.document() for entry in standing]
    return answer({"episode": episode, "version": snapshot.row.version, "entries": entries})


@router.get("/{episode}/state", **describing.STATE)
async def read_state(request: Request, episode: str) -> Response:
    """Compute the state as of a moment (now), as known at a moment (all that has arrived)."""
    parts = parts_of(request)
    query = flags(request.query_params, frozenset({"as_of", "known_at"}))
    as_of, known_at = instant(query, "as_of") or parts.clock.now(), instant(query, "known_at")
    snapshot = await _snapshot(parts, episode)
    protocol = await run_in_threadpool(parts.intake.protocol_of, parts.request().access, snapshot)
    found = await run_in_threadpool(state, snapshot.episode, as_of=as_of, known_at=known_at, protocol=protocol)
    return answer({**found.document(), "version": snapshot.row.version, "cautions": list(CAUTIONS)})


@router.get("/{episode}/bundle", **describing.BUNDLE)
async def read_bundle(request: Request, episode: str) -> Response:
    """Give the whole case as one FHIR Bundle: a collection, or a transaction for another service."""
    parts = parts_of(request)
    query = flags(request.query_params, frozenset({"type"}))
    kind = query.get("type", "collection")
    if kind not in ("collection", "transaction"):
        raise InvalidError(f"The parameter type must be collection or transaction; got {kind[:20]!r}.", place="type")
    base = parts.settings.base_url or str(request.base_url).rstrip("/")

    def read(reader: Reader, access: Access) -> bytes:
        return case_bundle(reader, access, episode, f"{base}/fhir", type=kind)  # type: ignore[arg-type]

    return Response(await _reading(parts, read), 200, media_type=FHIR_JSON)


@router.get("/{episode}/held", **describing.HELD)
async def read_held(request: Request, episode: str) -> Response:
    """List what waits: entries held for repair, and corrections whose original has not arrived."""
    parts = parts_of(request)
    flags(request.query_params, _NO_PARAMETERS)

    def read(reader: Reader, access: Access) -> Any:
        if reader.episode(access, episode) is None:
            raise NotFoundError(f"There is no episode {episode!r}; open it first.", place="episode")
        return [
            {
                "id": row.entry_id,
                "waiting_for": row.waiting,
                "original": row.waits_for,
                "sentence": row.sentence,
                "received_at": row.received_at,
                "entry": parse(row.body),
            }
            for row in reader.held(access, episode)
        ]

    return answer({"episode": episode, "held": await _reading(parts, read)})


def parts_of(request: Request) -> Parts:
    """Return what the service is joined from."""
    parts: Parts = request.app.state.parts
    return parts


async def _snapshot(parts: Parts, episode: str) -> Snapshot:
    return await run_in_threadpool(parts.intake.snapshot, parts.request().access, episode)


async def _reading(parts: Parts, read: Callable[[Reader, Access], T]) -> T:
    access = parts.request().access
    return await run_in_threadpool(parts.intake.store.read, lambda reader: read(reader, access))


def _head(row: Any) -> dict[str, Any]:
    return {
        "episode": row.id,
        "version": row.version,
        "status": row.status,
        "opened_at": row.opened_at,
        "facility": row.facility,
        "drill": row.drill,
        "anchor": f"{row.anchor_type}/{row.anchor_id}",
        "protocol": row.protocol,
        "software": row.software,
    }
