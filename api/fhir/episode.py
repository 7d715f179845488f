"""The state of an episode, by its anchor or a part of it, as Parameters."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, instant
from api.problems import FHIR_JSON
from fhirmod.compute import State
from fhirmod.errors import NotFoundError
from fhirmod.intake import Snapshot
from fhirmod.r4 import dump
from fhirmod.store import Access, Reader

from .asked import Kinds, asked_of
from .reading import living

_ASKED: Kinds = {"as_of": "instant", "known_at": "instant"}


async def episode(request: Request, parts: Parts, base: str) -> Response:
    """Give the computed state of the episode that a Procedure is the anchor or a part of, as Parameters.

    Shape: `episode`, `version` and `anchor`; one `entry` for each standing entry; `state` with a part for each
           member of the state document: numbers as valueDecimal, words as valueString, groups as parts, lists
           as one part for each item; what the document has empty is left out, as R4 has no empty values.
    """
    query = await asked_of(request, parts, _ASKED, frozenset())
    as_of, known_at = instant(query, "as_of") or parts.clock.now(), instant(query, "known_at")
    access, id_ = parts.request().access, str(request.path_params["id"])

    def compute() -> tuple[Snapshot, State]:
        snapshot = _of_procedure(parts, access, id_)
        return snapshot, snapshot.state(as_of=as_of, known_at=known_at)

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
