"""A transaction Bundle taken apart: one incoming resource for each entry, in its order."""

from collections.abc import Mapping
from typing import Any

from fhirmod.errors import InvalidError, NotSupportedError
from fhirmod.r4 import RESOURCE_TYPES, entry_texts, parse

from .incoming import Incoming, refuse_invalid

_CONDITIONS = {"ifNoneExist": "POST", "ifMatch": "PUT"}


def read_transaction(text: bytes) -> list[Incoming]:
    """Return the resources of a transaction Bundle, checked against R4, in the order of its entries.

    Errors: UnreadableError; InvalidError if it is not a valid transaction; NotSupportedError for methods other
            than POST and PUT.
    """
    bundle = parse(text)
    if not isinstance(bundle, Mapping) or bundle.get("resourceType") != "Bundle":
        raise InvalidError("The body must be a Bundle of type transaction.", place="resourceType")
    if bundle.get("type") != "transaction":
        raise InvalidError(
            "The Bundle's type must be transaction; other types are not taken here.", place="Bundle.type"
        )
    refuse_invalid(bundle)
    entries = zip(bundle.get("entry", ()), entry_texts(text), strict=True)
    return [_entry(number, entry, exact) for number, (entry, exact) in enumerate(entries)]


def _entry(number: int, entry: Mapping[str, Any], text: bytes | None) -> Incoming:
    place = f"Bundle.entry[{number}]"
    request = entry["request"]
    method = request["method"]
    if method not in ("POST", "PUT"):
        raise NotSupportedError(
            f"A transaction here takes POST and PUT; got {method}.", place=f"{place}.request.method"
        )
    for name, its in _CONDITIONS.items():
        if name in request and method != its:
            raise InvalidError(f"{name} is a condition of {its}; got it on {method}.", place=f"{place}.request.{name}")
    resource = entry.get("resource")
    if resource is None or text is None:
        raise InvalidError(f"An entry with {method} needs a resource.", place=f"{place}.resource")
    type_, _, id_ = request["url"].partition("?")[0].strip("/").partition("/")
    if type_ not in RESOURCE_TYPES or type_ != resource["resourceType"]:
        raise InvalidError(
            "The request's url must name the type of the entry's resource.", place=f"{place}.request.url"
        )
    if method == "PUT" and (not id_ or resource.get("id") != id_):
        raise InvalidError(
            "The url of a PUT must be Type/id with the id of the entry's resource.",
            place=f"{place}.request.url",
        )
    return Incoming(
        text=text,
        resource=resource,
        method="PUT" if method == "PUT" else "POST",
        id=id_ or None,
        if_match=request.get("ifMatch"),
        if_none_exist=request.get("ifNoneExist"),
        full_url=entry.get("fullUrl"),
    )
