"""One thing to be done with a FHIR resource, as it came in: read, checked against R4, not yet placed."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Literal

from fhirmod.errors import BusinessRuleError, FhirmodError, InvalidError
from fhirmod.mapping import known_profiles
from fhirmod.r4 import RESOURCE_TYPES, SUBSETTED, parse, refusals

from .patching import Patch

Method = Literal["POST", "PUT", "PATCH", "DELETE"]


@dataclass(frozen=True, slots=True)
class Incoming:
    """One write of a request: what is to be done with which resource, and under which conditions.

    Shape: `condition` is a search: If-None-Exist of a POST, the query of the address for other methods; `place` is
           where it stands in a Bundle, "" outside one.
    """

    method: Method
    type: str
    text: bytes = b""
    resource: Mapping[str, Any] | None = None
    id: str | None = None
    condition: str | None = None
    if_match: str | None = None
    if_none_match: str | None = None
    patch: Patch | None = None
    full_url: str | None = None
    place: str = ""


def read_resource(text: bytes, expected: str) -> Mapping[str, Any]:
    """Return the resource of a request body, checked against R4.

    Errors: UnreadableError if it is not exact JSON; InvalidError with all findings that refuse it;
            BusinessRuleError if it is only a part of one.
    """
    resource = parse(text)
    if not isinstance(resource, Mapping) or "resourceType" not in resource:
        raise InvalidError("The body must be one FHIR resource: a JSON object with resourceType.", place="resourceType")
    if resource["resourceType"] != expected:
        got = resource["resourceType"] if known_type(resource["resourceType"]) else "another type"
        raise InvalidError(f"The body must be a {expected}, as the address says; got {got}.", place="resourceType")
    refuse_invalid(resource)
    refuse_part(resource)
    return resource


def known_type(value: Any) -> bool:
    """Return whether a received value names a resource type that is stored here."""
    return isinstance(value, str) and value in RESOURCE_TYPES


def refuse_invalid(resource: Mapping[str, Any]) -> None:
    """Return nothing if the resource is valid R4.

    Errors: InvalidError with every finding that refuses it.
    """
    wrong = tuple(refusals(resource, known_profiles()))
    if wrong:
        raise InvalidError("The resource is not valid FHIR R4.", findings=wrong)


def refuse_part(resource: Mapping[str, Any]) -> None:
    """Return nothing if the resource is whole: what `_summary` or `_elements` left out would be lost by storing it.

    Errors: BusinessRuleError if it carries the tag SUBSETTED.
    Source: http://hl7.org/fhir/R4/search.html#elements
    """
    for tag in resource.get("meta", {}).get("tag", ()):
        if (tag.get("system"), tag.get("code")) == (SUBSETTED["system"], SUBSETTED["code"]):
            raise BusinessRuleError(
                "The resource is tagged SUBSETTED: it is a part of one, and storing it would lose the rest; "
                "read the whole one and change that.",
                place=f"{resource['resourceType']}.meta.tag",
            )


@contextmanager
def said_at(place: str) -> Iterator[None]:
    """Return nothing; an error from inside says where in the Bundle it arose.

    Errors: the same error, its findings at this entry.
    """
    try:
        yield
    except FhirmodError as wrong:
        if not place:
            raise
        findings = tuple(replace(one, place=_inside(place, one.place)) for one in wrong.findings)
        raise type(wrong)(str(wrong), findings=findings) from None


def _inside(place: str, inner: str) -> str:
    if inner.startswith("Bundle"):
        return inner
    head, dot, rest = inner.partition(".")
    return f"{place}.resource{dot}{rest}" if known_type(head) else f"{place}.request"


def same_content(resource: Mapping[str, Any], stored: Mapping[str, Any]) -> bool:
    """Return whether two resources say the same, digit by digit, their identity and version aside."""
    one, other = _content(resource), _content(stored)
    return one == other and _same_digits(one, other)


def _same_digits(one: Any, other: Any) -> bool:
    """Return whether equal values are also written the same: 1.5 and 1.50 are equal, and not the same."""
    if isinstance(one, Mapping):
        return all(_same_digits(value, other[name]) for name, value in one.items())
    if isinstance(one, list):
        return all(map(_same_digits, one, other))
    return type(one) is type(other) and (not isinstance(one, Decimal) or str(one) == str(other))


def _content(resource: Mapping[str, Any]) -> dict[str, Any]:
    content = {name: value for name, value in resource.items() if name not in ("id", "meta")}
    meta = {name: value for name, value in resource.get("meta", {}).items() if name not in ("versionId", "lastUpdated")}
    return content | {"meta": meta} if meta else content
