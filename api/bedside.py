"""The bedside side: open an episode, append entries, ask for its state. JSON bytes in, JSON bytes out."""

from collections.abc import Callable, Mapping
from typing import Any, TypeVar, cast

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from fhirmod import __version__
from fhirmod.episode import Moment
from fhirmod.errors import BadParameterError, NotFoundError, TooLargeError
from fhirmod.exchange import CAUTIONS, case_bundle
from fhirmod.intake import Receipt, Snapshot
from fhirmod.intake.receipt import finding_document, result_document
from fhirmod.r4 import dump, parse
from fhirmod.store import Access, EpisodeRow, Reader
from fhirmod.validation import findings

from .asking import Parts, choice, instant, number, parameters, read_body, truth
from .problems import FHIR_JSON, JSON

T = TypeVar("T")
NONE: frozenset[str] = frozenset()
ALONE = {"accepted": 200, "repeat": 200, "waiting": 202, "refused": 422, "conflict": 409, "ask": 409}


def answer(value: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return JSON values as they are: Decimals keep their digits."""
    return Response(dump(value), status, dict(headers or {}), JSON)


async def open_episode(request: Request, parts: Parts, base: str) -> Response:
    """Open an episode: facility and time are enough. Sending the same opening again changes nothing."""
    parameters(request, NONE)
    document = parse(await read_body(request, parts))
    snapshot, result = await run_in_threadpool(parts.intake.open, parts.request(), document)
    status = 201 if result.status == "accepted" else 200
    body = {"episode": snapshot.row.id, "version": snapshot.row.version, "entry": result_document(result)}
    return answer(body, status, {"Location": f"{base}/episodes/{snapshot.row.id}"})


async def list_episodes(request: Request, parts: Parts, base: str) -> Response:
    """List episodes, last opened first; `next` is what `after` takes for those behind."""
    query = parameters(request, frozenset({"status", "limit", "after"}))
    status = choice(query, "status", ("open", "closed"))
    limit = number(query, "limit", parts.settings.page, parts.settings.most_per_page)
    after = query.get("after")

    def read(reader: Reader, access: Access) -> list[EpisodeRow]:
        if after is not None and reader.episode(access, after) is None:
            raise BadParameterError(
                f"The parameter after must be the id of an episode of this service; got {after[:40]!r}.", place="after"
            )
        return reader.episodes(access, cast("Any", status), limit + 1, after)

    rows = await _reading(parts, read)
    listed: dict[str, Any] = {"episodes": [_head(row) for row in rows[:limit]]}
    if len(rows) > limit > 0:
        listed["next"] = rows[limit - 1].id
    return answer(listed)


async def read_episode(request: Request, parts: Parts, base: str) -> Response:
    """Show the head of an episode: where and when it was opened, its anchor in FHIR, its version."""
    parameters(request, NONE)
    return answer(_head((await _snapshot(request, parts)).row))


async def append_entries(request: Request, parts: Parts, base: str) -> Response:
    """Append one entry or a queue; each entry of a queue is judged alone, and a refused one is held for repair.

    One entry alone has a status of its own; a queue is 200, whatever became of each entry: the receipt says it.
    """
    query = parameters(request, frozenset({"atomic", "distinct", "dryRun"}))
    atomic, distinct, dry_run = (truth(query, name) for name in ("atomic", "distinct", "dryRun"))
    sent = parse(await read_body(request, parts))
    if isinstance(sent, dict) and set(sent) == {"entries"}:
        sent = sent["entries"]
    alone = not isinstance(sent, list)
    queue = [sent] if alone else sent
    if len(queue) > parts.settings.most_per_queue:
        raise TooLargeError(
            f"A queue takes at most {parts.settings.most_per_queue} entries; got {len(queue)}. Send it in parts.",
            place="entries",
        )
    receipt: Receipt = await run_in_threadpool(
        parts.intake.append,
        parts.request(dry_run=dry_run),
        request.path_params["episode"],
        queue,
        atomic=atomic,
        distinct=distinct,
    )
    return answer(receipt.document(), ALONE[receipt.entries[0].status] if alone else 200)


async def read_entries(request: Request, parts: Parts, base: str) -> Response:
    """List the entries that stand, as of a moment and as known at a moment; or all that were received."""
    query = parameters(request, frozenset({"as_of", "known_at", "all"}))
    as_of, known_at, whole = instant(query, "as_of"), instant(query, "known_at"), truth(query, "all")
    if whole and as_of is not None:
        raise BadParameterError(
            "The parameter as_of asks for what stands at a moment, and all=true for everything received; give one.",
            place="as_of",
        )
    snapshot = await _snapshot(request, parts)
    head = {"episode": snapshot.row.id, "version": snapshot.row.version}
    if whole:
        received = [
            {"received_at": Moment.of(one.at).text, "inferred": one.inferred, "entry": one.entry.document()}
            for one in snapshot.episode.received
            if known_at is None or one.at <= known_at
        ]
        return answer(head | {"received": received})
    standing = snapshot.episode.standing(as_of=as_of, known_at=known_at)
    return answer(head | {"entries": [entry.document() for entry in standing]})


async def read_state(request: Request, parts: Parts, base: str) -> Response:
    """Compute the state as of a moment (now), as known at a moment (all that has arrived)."""
    query = parameters(request, frozenset({"as_of", "known_at"}))
    as_of, known_at = instant(query, "as_of") or parts.clock.now(), instant(query, "known_at")
    access, episode = parts.request().access, request.path_params["episode"]

    def compute() -> dict[str, Any]:
        snapshot = parts.intake.snapshot(access, episode)
        found = snapshot.state(as_of=as_of, known_at=known_at)
        return {**found.document(), "version": snapshot.row.version, "cautions": list(CAUTIONS)}

    return answer(await run_in_threadpool(compute))


async def read_findings(request: Request, parts: Parts, base: str) -> Response:
    """List what the rules find as of a moment, as known at a moment: may interrupt, listed, or for review only."""
    query = parameters(request, frozenset({"as_of", "known_at", "tier"}))
    as_of, known_at = instant(query, "as_of") or parts.clock.now(), instant(query, "known_at")
    tier = choice(query, "tier", ("now", "soon", "review"))
    tiers = cast("Any", ("now", "soon", "review") if tier is None else (tier,))
    access, episode = parts.request().access, request.path_params["episode"]

    def find() -> dict[str, Any]:
        snapshot = parts.intake.snapshot(access, episode)
        found = findings(
            snapshot.episode,
            as_of=as_of,
            known_at=known_at,
            protocol=snapshot.protocol,
            tiers=tiers,
            kept_for=snapshot.kept_for,
        )
        return {
            "episode": snapshot.row.id,
            "version": snapshot.row.version,
            "findings": [finding_document(one) for one in found],
        }

    return answer(await run_in_threadpool(find))


async def read_bundle(request: Request, parts: Parts, base: str) -> Response:
    """Give the whole case as one FHIR Bundle: a collection, or a transaction for another service."""
    query = parameters(request, frozenset({"type"}))
    kind = cast("Any", choice(query, "type", ("collection", "transaction")) or "collection")
    episode = request.path_params["episode"]
    bundle = await _reading(
        parts, lambda reader, access: case_bundle(reader, access, episode, f"{base}/fhir", type=kind)
    )
    return Response(bundle, 200, media_type=FHIR_JSON)


async def read_held(request: Request, parts: Parts, base: str) -> Response:
    """List what waits: entries held for repair, and corrections whose original has not arrived."""
    parameters(request, NONE)
    episode = request.path_params["episode"]

    def read(reader: Reader, access: Access) -> Any:
        if reader.episode(access, episode) is None:
            raise NotFoundError(f"There is no episode {episode[:64]!r}; open it first.", place="episode")
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


async def health(request: Request, parts: Parts, base: str) -> Response:
    """Say that the service is there, and which version."""
    return answer({"status": "ok", "software": "fhirmod", "version": __version__})


async def _snapshot(request: Request, parts: Parts) -> Snapshot:
    return await run_in_threadpool(parts.intake.snapshot, parts.request().access, request.path_params["episode"])


async def _reading(parts: Parts, read: Callable[[Reader, Access], T]) -> T:
    access = parts.request().access
    return await run_in_threadpool(parts.intake.store.read, lambda reader: read(reader, access))


def _head(row: EpisodeRow) -> dict[str, Any]:
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
