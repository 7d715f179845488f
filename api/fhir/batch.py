"""A batch: each entry is the request it describes, answered as if it had come alone; one that fails spoils no other.

Source: HL7 FHIR R4 http.html#brules (order as in a transaction; entries must not depend on each other).
"""

import base64
import binascii
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response

from api.asking import JSON_PATCH
from api.guard import Endpoint
from api.problems import as_fhir, status_of
from fhirmod.errors import BusinessRuleError, FhirmodError, InvalidError, NotFoundError
from fhirmod.intake import relative
from fhirmod.r4 import check, entry_texts, splice

from .capability import metadata
from .dispatching import endpoints, path_of
from .entries import answered, response_bundle
from .headers import prefers
from .inner import inner_request

_ORDER = {"DELETE": 0, "POST": 1, "PUT": 2, "PATCH": 2}
_READS = ("GET", "HEAD")
_CONDITIONS = {"ifNoneExist": ("POST",), "ifMatch": ("PUT", "PATCH", "DELETE")}
_WHOLE = ("request-body", "reference-not-found")  # said of an entry alone, without its resource and its neighbours


async def batched(request: Request, bundle: Mapping[str, Any], text: bytes, base: str) -> Response:
    """Return what became of each entry, in the order given; they are done deletes first, reads last.

    Errors: InvalidError if the Bundle around the entries is not valid.
    """
    entries = bundle.get("entry", [])
    wrong = tuple(one for one in check({name: bundle[name] for name in bundle if name != "entry"}) if one.refuses)
    if wrong or not isinstance(entries, list) or not all(isinstance(one, dict) for one in entries):
        raise InvalidError("The Bundle must have a list of entries, and be valid FHIR R4.", findings=wrong)
    batch = _Batch(request, entries, entry_texts(text), base)
    done: dict[int, bytes] = {}
    for number in sorted(range(len(entries)), key=lambda number: _ORDER.get(batch.method(number), 3)):
        done[number] = answered(batch.method(number), await batch.answer(number), asks=batch.asks(number))
    return response_bundle("batch-response", [done[number] for number in range(len(entries))])


class _Batch:
    """The entries of one batch and what all of them share."""

    def __init__(
        self, request: Request, entries: Sequence[Mapping[str, Any]], texts: Sequence[bytes | None], base: str
    ) -> None:
        self._request, self._entries, self._texts, self._base = request, entries, texts, base
        self._prefer = f"return={prefers(request, 'return', 'minimal')}"
        names = Counter(map(_named, entries))
        self._elsewhere = {url: "elsewhere" for url, _ in names if url.startswith("urn:")}
        self._twice = {name for name, times in names.items() if name[0] and times > 1}
        self._doors: dict[str, Endpoint] = endpoints({"capabilities": metadata})

    def method(self, number: int) -> str:
        asked = self._entries[number].get("request")
        return str(asked.get("method")) if isinstance(asked, dict) else ""

    def asks(self, number: int) -> bool:
        """Return whether an entry asks for something, by a read or an operation."""
        asked = self._entries[number].get("request")
        return isinstance(asked, dict) and (self.method(number) in _READS or "$" in str(asked.get("url")))

    async def answer(self, number: int) -> Response:
        """Return the answer to one entry, an OperationOutcome if it cannot be asked."""
        try:
            await run_in_threadpool(self._refuse, number)
            asked = self._entries[number]["request"]
            url = relative(asked["url"], self._base)
            found = path_of(f"/{url.partition('?')[0]}")
            if found is None or found[0] not in self._doors:
                raise NotFoundError(
                    "There is nothing at this address; /fhir/metadata says what there is.", place="request.url"
                )
            body, kind = self._body(number)
        except FhirmodError as refused:
            return as_fhir(status_of(refused), refused.findings)
        inner = inner_request(
            self._request, asked["method"], url, asked, found[1], body=body, content_type=kind, prefer=self._prefer
        )
        return await self._doors[found[0]](inner)

    def _refuse(self, number: int) -> None:
        """Return nothing if an entry can be asked alone.

        Errors: InvalidError if its request is not valid; BusinessRuleError if it leans on another entry.
        """
        entry = self._entries[number]
        alone = {name: value for name, value in entry.items() if name != "resource"}
        found = check({"resourceType": "Bundle", "type": "batch", "entry": [alone]})
        wrong = tuple(one for one in found if one.refuses and one.code not in _WHOLE)
        if wrong:
            raise InvalidError("The entry is not valid FHIR R4.", findings=wrong)
        for name, its in _CONDITIONS.items():
            if name in entry["request"] and entry["request"]["method"] not in its:
                raise InvalidError(f"{name} is a condition of {' or '.join(its)}.", place=f"request.{name}")
        if _named(entry) in self._twice:
            raise InvalidError("The fullUrl of the entry is that of another entry too.", place="fullUrl")
        if self._leans(self._texts[number]):
            raise BusinessRuleError(
                "The entry refers to another entry of the batch; what depends on each other is sent as a transaction.",
                place="resource",
            )

    def _leans(self, text: bytes | None) -> bool:
        """Return whether a resource has a link that a transaction would lead to another entry, wherever it stands."""
        if text is None or not self._elsewhere:
            return False
        alone, led = (
            splice(text, id="x", version_id="1", last_updated="", references=links) for links in ({}, self._elsewhere)
        )
        return alone != led

    def _body(self, number: int) -> tuple[bytes, str]:
        """Return the body that an entry brings and its media type.

        Errors: InvalidError if a Binary that is to be a patch is none.
        """
        resource = self._entries[number].get("resource")
        if self.method(number) == "PATCH" and isinstance(resource, dict) and resource.get("resourceType") == "Binary":
            try:
                return base64.b64decode(resource.get("data", ""), validate=True), str(
                    resource.get("contentType", JSON_PATCH)
                )
            except (binascii.Error, TypeError, ValueError):
                raise InvalidError("The data of the Binary is no base64; wanted a JSON Patch.", place="data") from None
        return self._texts[number] or b"", "application/fhir+json"


def _named(entry: Mapping[str, Any]) -> tuple[str, str]:
    """Return the fullUrl of an entry and the version that it is of: together they are of one entry only.

    Source: http://hl7.org/fhir/R4/bundle.html (bdl-7)
    """
    url, resource = entry.get("fullUrl"), entry.get("resource")
    meta = resource.get("meta") if isinstance(resource, dict) else None
    version = meta.get("versionId") if isinstance(meta, dict) else None
    return url if isinstance(url, str) else "", version if isinstance(version, str) else ""
