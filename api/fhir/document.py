"""$document: a stored Composition becomes a document Bundle, which is kept too if that is asked for by POST.

Source: http://hl7.org/fhir/R4/composition-operation-document.html
"""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import Parts, parameters, truth
from api.problems import FHIR_JSON
from fhirmod.errors import BadParameterError, NotSupportedError
from fhirmod.exchange import document_bundle
from fhirmod.store import Reader

from .answering import VersionResponse
from .headers import location
from .operating import as_get
from .reading import CONTROL, living

_ASKED = CONTROL | {"persist", "graph"}


async def document(request: Request, parts: Parts, base: str) -> Response:
    """Give the document of a Composition: it first, then each resource that it leads to, once."""
    return await run_in_threadpool(_given, await as_get(request, parts), parts, base)


def _given(request: Request, parts: Parts, base: str) -> Response:
    id_ = request.path_params.get("id")
    query = parameters(request, _ASKED if id_ is not None else _ASKED | {"id"})
    if "graph" in query:
        raise NotSupportedError(
            "No GraphDefinition is followed here; without graph, all that the Composition leads to is carried.",
            place="graph",
        )
    persist = truth(query, "persist")
    if persist and request.method != "POST":
        raise BadParameterError("A GET stores nothing; ask for persist=true by POST.", place="persist")
    if persist:
        parts.caller.require([("c", "Bundle")], place="persist")
    named = str(id_) if id_ is not None else _named(query, base)
    asked = parts.request(base=base)

    def make(reader: Reader) -> bytes:
        composition = living("Composition", named, reader.get(asked.access, "Composition", named))
        return document_bundle(reader, asked.access, composition, base, uuid=asked.new_id(), made=asked.now)

    text = parts.intake.store.read(make)
    if not persist:
        return Response(text, media_type=FHIR_JSON)
    version = parts.intake.create(asked, "Bundle", text).version
    if version is None:
        raise RuntimeError("A Bundle that was created has no version.")
    return VersionResponse(version, version.body, headers={"Location": location(base, version)})


def _named(query: dict[str, str], base: str) -> str:
    """Return the id of the Composition that is named: by its id, or by its address here.

    Errors: BadParameterError if none is; NotSupportedError for one elsewhere.
    """
    if "id" not in query:
        raise BadParameterError("The Composition must be named: by id, or as Composition/id/$document.", place="id")
    plain = query["id"].removeprefix(f"{base}/").removeprefix("Composition/")
    if "/" in plain:
        raise NotSupportedError("A Composition elsewhere is not fetched; send it here first.", place="id")
    return plain
