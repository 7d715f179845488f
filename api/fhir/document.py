"""$document: a stored Composition becomes a document Bundle, which is kept too if that is asked for by POST.

Source: http://hl7.org/fhir/R4/composition-operation-document.html
"""

from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, NotSupportedError
from fhirmod.exchange import document_bundle
from fhirmod.store import Reader

from .answering import VersionResponse
from .asked import Kinds, asked_of
from .headers import location
from .reading import living

_OF_ONE: Kinds = {"persist": "boolean"}
_OF_ANY: Kinds = {"id": "uri", **_OF_ONE}
_UNHEARD = frozenset(("graph",))  # no GraphDefinition is followed: all that the Composition leads to is carried


async def document(request: Request, parts: Parts, base: str) -> Response:
    """Give the document of a Composition: it first, then each resource that it leads to, once."""
    kinds = _OF_ONE if "id" in request.path_params else _OF_ANY
    asked = await asked_of(request, parts, kinds, _UNHEARD)
    return await run_in_threadpool(_given, request, parts, base, asked)


def _given(request: Request, parts: Parts, base: str, query: Mapping[str, Any]) -> Response:
    id_ = request.path_params.get("id")
    persist = query.get("persist", False)
    if persist and request.method != "POST":
        raise BadParameterError("A GET stores nothing; ask for persist=true by POST.", place="persist")
    if persist:
        parts.caller.require([("c", "Bundle")], place="persist")
    named = str(id_) if id_ is not None else _named(query, base)
    asked = parts.request(base=base)

    def admit(type_: str) -> None:
        parts.caller.require([("r", type_)])

    def make(reader: Reader) -> bytes:
        composition = living("Composition", named, reader.get(asked.access, "Composition", named))
        return document_bundle(
            reader, asked.access, composition, base, uuid=asked.new_id(), made=asked.now, admit=admit
        )

    text = parts.intake.store.read(make)
    if not persist:
        return Response(text, media_type=FHIR_JSON)
    version = parts.intake.create(asked, "Bundle", text).version
    if version is None:
        raise RuntimeError("A Bundle that was created has no version.")
    return VersionResponse(version, version.body, headers={"Location": location(base, version)})


def _named(query: Mapping[str, Any], base: str) -> str:
    """Return the id of the Composition that is named: by its id, or by its address here.

    Errors: BadParameterError if none is; NotSupportedError for one elsewhere.
    """
    if "id" not in query:
        raise BadParameterError("The Composition must be named: by id, or as Composition/id/$document.", place="id")
    plain = str(query["id"]).removeprefix(f"{base}/").removeprefix("Composition/")
    if "/" in plain:
        raise NotSupportedError("A Composition elsewhere is not fetched; send it here first.", place="id")
    return plain
