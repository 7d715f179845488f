"""read, vread, and the state of an episode by its anchor."""

import re
from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, instant, parameters
from api.problems import FHIR_JSON, RefusedRequest
from fhirmod.compute import State
from fhirmod.errors import GoneError, NotFoundError
from fhirmod.intake import Snapshot
from fhirmod.r4 import RESOURCE_TYPES, dump
from fhirmod.store import Access, Reader, Version

from .headers import has_already, version_headers

_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def known_type(request: Request) -> str:
    """Return the resource type of the address.

    Errors: RefusedRequest (404) if R4 or this service has no such type.
    """
    type_ = str(request.path_params["type"])
    if type_ not in RESOURCE_TYPES:
        raise RefusedRequest(404, "not-supported", f"There is no resource type {type_[:40]!r} here.")
    return type_


async def read(request: Request, parts: Parts, base: str) -> Response:
    """Give the current version; 404 if there never was one, 410 after its deletion, 304 if the client has it."""
    type_, id_ = known_type(request), str(request.path_params["id"])
    access = parts.request().access
    version = await run_in_threadpool(parts.intake.store.read, lambda reader: reader.get(access, type_, id_))
    found = living(type_, id_, version)
    if has_already(request, found):
        return Response(status_code=304, headers=version_headers(found))
    return given(found)


async def vread(request: Request, parts: Parts, base: str) -> Response:
    """Give one version; 404 if there is none of that number, 410 if it is the deletion."""
    type_, id_, wanted = known_type(request), str(request.path_params["id"]), str(request.path_params["version"])
    access = parts.request().access
    version = None
    if wanted.isascii() and wanted.isdigit() and len(wanted) < 10:
        version = await run_in_threadpool(
            parts.intake.store.read, lambda reader: reader.vread(access, type_, id_, int(wanted))
        )
    return given(living(type_, id_, version, wanted))


def living(type_: str, id_: str, version: Version | None, wanted: str | None = None) -> Version:
    """Return the version if it has a body.

    Errors: NotFoundError if there is none; GoneError if it is a deletion.
    """
    named = f"{type_}/{id_}" if _ID.fullmatch(id_) else type_
    which = "" if wanted is None else f", version {wanted[:12]},"
    if version is None:
        raise NotFoundError(f"{named}{which} was never here.", place=type_)
    if version.body is None:
        raise GoneError(f"{named}{which} was deleted; its earlier versions can still be read.", place=type_)
    return version


def given(version: Version, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """Return a version as it is stored."""
    return Response(version.body, status, version_headers(version) | dict(headers or {}), FHIR_JSON)


async def episode(request: Request, parts: Parts, base: str) -> Response:
    """Give the computed state of the episode that a Procedure is the anchor or a part of, as Parameters.

    Shape: `episode`, `version` and `anchor`; one `entry` for each standing entry; `state` with a part for each
           member of the state document: numbers as valueDecimal, words as valueString, groups as parts, lists
           as one part for each item; what the document has empty is left out, as R4 has no empty values.
    """
    query = parameters(request, frozenset({"as_of", "known_at", "_format"}))
    as_of, known_at = instant(query, "as_of") or parts.clock.now(), instant(query, "known_at")
    access, id_ = parts.request().access, str(request.path_params["id"])

    def compute() -> tuple[Snapshot, State]:
        snapshot = _of_procedure(parts, access, id_)
        protocol = parts.intake.protocol_of(access, snapshot)
        return snapshot, snapshot.state(protocol, as_of=as_of, known_at=known_at)

    snapshot, found = await run_in_threadpool(compute)
    entries = snapshot.episode.standing(as_of=as_of, known_at=known_at)
    row = snapshot.row
    listed = [
        {"name": "episode", "valueId": row.id},
        {"name": "version", "valueInteger": row.version},
        {"name": "anchor", "valueReference": {"reference": f"{row.anchor_type}/{row.anchor_id}"}},
        *({"name": "entry", "valueId": entry.id} for entry in entries),
        *_parts("state", found.document()),
    ]
    return Response(dump({"resourceType": "Parameters", "parameter": listed}), 200, media_type=FHIR_JSON)


def _of_procedure(parts: Parts, access: Access, id_: str) -> Snapshot:
    def find(reader: Reader) -> str:
        living("Procedure", id_, reader.get(access, "Procedure", id_))
        episodes = reader.episode_of(access, "Procedure", id_)
        if not episodes:
            raise NotFoundError(f"Procedure/{id_} belongs to no tamponade recorded here.", place="Procedure")
        return episodes[0][0]

    return parts.intake.snapshot(access, parts.intake.store.read(find))


def _parts(name: str, value: Any) -> Iterator[dict[str, Any]]:
    """Return the parameters that say a JSON value; what is empty or null is left out, as FHIR has no such values."""
    match value:
        case None | "":
            return
        case bool():
            yield {"name": name, "valueBoolean": value}
        case int() | Decimal():
            yield {"name": name, "valueDecimal": value}
        case str():
            yield {"name": name, "valueString": value}
        case Mapping():
            inner = [part for key, item in value.items() for part in _parts(str(key), item)]
            if inner:
                yield {"name": name, "part": inner}
        case _:
            for item in value:
                yield from _parts(name, item)
