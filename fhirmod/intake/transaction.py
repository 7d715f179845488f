"""A transaction Bundle taken apart: one write, or one question, for each entry, in its order.

Source: http://hl7.org/fhir/R4/http.html#transaction, #trules; bundle.html.
"""

import base64
import binascii
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from fhirmod.errors import BadParameterError, InvalidError, NotSupportedError
from fhirmod.r4 import RESOURCE_TYPES, entry_texts, parse

from .incoming import Incoming, refuse_invalid, refuse_part, said_at
from .patching import Patch, read_patch

_CONDITIONS = {
    "ifNoneExist": ("POST",),
    "ifMatch": ("PUT", "PATCH", "DELETE"),
    "ifNoneMatch": ("PUT", "GET", "HEAD"),
    "ifModifiedSince": ("GET", "HEAD"),
}
_JSON_PATCH = "application/json-patch+json"


@dataclass(frozen=True, slots=True)
class Asked:
    """A question inside a transaction, answered when all its writes are done; `url` is behind our address."""

    method: str
    url: str
    request: Mapping[str, Any]
    place: str


def read_transaction(text: bytes, bundle: Any, base: str = "") -> list[Incoming | Asked]:
    """Return what a transaction Bundle asks for, checked against R4, in the order of its entries.

    Shape:  `bundle` is the text, parsed.
    Errors: InvalidError if it is not a valid transaction; NotSupportedError for an operation.
    """
    if not isinstance(bundle, Mapping) or bundle.get("resourceType") != "Bundle":
        raise InvalidError("The body must be a Bundle of type transaction.", place="resourceType")
    if bundle.get("type") != "transaction":
        raise InvalidError(
            "The Bundle's type must be transaction; other types are not taken here.", place="Bundle.type"
        )
    refuse_invalid(bundle)
    entries = zip(bundle.get("entry", ()), entry_texts(text), strict=True)
    return [_entry(number, entry, exact, base) for number, (entry, exact) in enumerate(entries)]


def _entry(number: int, entry: Mapping[str, Any], text: bytes | None, base: str) -> Incoming | Asked:
    place = f"Bundle.entry[{number}]"
    request = entry["request"]
    method, url = request["method"], relative(request["url"], base)
    with said_at(place):
        for name, its in _CONDITIONS.items():
            if name in request and method not in its:
                raise InvalidError(
                    f"{name} is a condition of {' or '.join(its)}; got it on {method}.", place=f"{place}.request.{name}"
                )
        if method in ("GET", "HEAD"):
            return Asked(method, url, request, place)
        return _write(method, url, request, entry.get("resource"), text, entry.get("fullUrl"), place)


def _write(
    method: Any,
    url: str,
    request: Mapping[str, Any],
    resource: Mapping[str, Any] | None,
    text: bytes | None,
    full_url: str | None,
    place: str,
) -> Incoming:
    address, question, query = url.partition("?")
    type_, _, id_ = address.strip("/").partition("/")
    if "$" in address or "_search" in address:
        raise NotSupportedError(
            "A transaction here takes reads and writes of resources, no operations; send that alone, or in a batch.",
            place=f"{place}.request.url",
        )
    if type_ not in RESOURCE_TYPES or "/" in id_ or (question and id_):
        raise InvalidError(
            "The request's url must be Type/id, or Type?condition, of a type that is stored here.",
            place=f"{place}.request.url",
        )
    if method != "POST" and not id_ and not query:
        raise InvalidError(
            "The url of a PUT, PATCH or DELETE must be Type/id or Type?condition.", place=f"{place}.request.url"
        )
    condition = request.get("ifNoneExist") if method == "POST" else (query if question else None)
    incoming = Incoming(
        method,
        type_,
        text or b"",
        id=id_ or None,
        condition=condition,
        if_match=request.get("ifMatch"),
        if_none_match=request.get("ifNoneMatch"),
        full_url=full_url,
        place=place,
    )
    if method == "DELETE":
        return incoming
    if resource is None:
        raise InvalidError(f"An entry with {method} needs a resource.", place=f"{place}.resource")
    if method == "PATCH":
        return replace(incoming, patch=_patch(resource), full_url=None)
    if resource["resourceType"] != type_:
        raise InvalidError(
            "The request's url must name the type of the entry's resource.", place=f"{place}.request.url"
        )
    if method == "PUT" and id_ and resource.get("id") != id_:
        raise InvalidError(
            "The url of a PUT must be Type/id with the id of the entry's resource.", place=f"{place}.request.url"
        )
    refuse_part(resource)
    return replace(incoming, resource=resource)


def _patch(resource: Mapping[str, Any]) -> Patch:
    """Return the patch of an entry: Parameters (FHIRPath Patch), or a Binary that carries a JSON Patch."""
    if resource["resourceType"] != "Binary":
        return read_patch(resource)
    kind = str(resource.get("contentType", "")).partition(";")[0].strip().lower()
    if kind != _JSON_PATCH:
        raise InvalidError(f"A patch in a Binary must be {_JSON_PATCH}; got {kind[:60]}.", place="Binary.contentType")
    try:
        return read_patch(parse(base64.b64decode(resource.get("data", ""), validate=True)))
    except binascii.Error:
        raise BadParameterError(
            "The data of the Binary is no base64; wanted a JSON Patch.", place="Binary.data"
        ) from None


def relative(url: str, base: str) -> str:
    """Return the url of an entry behind our own address, which it may carry in front.

    >>> relative("http://here/fhir/Patient/1", "http://here/fhir"), relative("/Patient/1", "")
    ('Patient/1', 'Patient/1')
    """
    return (url.removeprefix(f"{base}/") if base else url).lstrip("/")
