"""One Provenance for each accepted request: who sent it, when, and which resources it wrote."""

from collections.abc import Iterable
from typing import Any

from fhirmod.mapping import CONFIDENTIALITY, DRILL, Image
from fhirmod.store import Method, Put

from .putting import put_image
from .request import Request
from .snapshot import Snapshot

_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"
_ACTIVITY = {"POST": ("CREATE", "create"), "PUT": ("UPDATE", "revise"), "DELETE": ("DELETE", "delete")}


def provenance_put(request: Request, method: Method, references: Iterable[str], snapshot: Snapshot) -> Put:
    """Return the row of the request's Provenance: `references` are what it wrote, `method` how the first was."""
    code, display = _ACTIVITY[method]
    targets = dict.fromkeys(references)
    body: dict[str, Any] = {
        "resourceType": "Provenance",
        "id": request.new_id(),
        "meta": {"security": [CONFIDENTIALITY, DRILL] if snapshot.row.drill else [CONFIDENTIALITY]},
        "target": [{"reference": target} for target in targets],
        "recorded": request.received.text,
        "activity": {"coding": [{"system": _OPERATION, "code": code, "display": display}]},
        "agent": [{"who": {"display": request.access.who}}],
    }
    return put_image(Image("Provenance", body["id"], body), "assembled", snapshot.row.id, "provenance")
