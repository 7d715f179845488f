"""Links led to where they point here: temporary ids, ids given anew, conditional references, our own address.

Source: http://hl7.org/fhir/R4/http.html#trules, references.html#literal.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from fhirmod.errors import PreconditionFailedError
from fhirmod.r4 import RESOURCE_TYPES

from .conditions import Standing
from .incoming import Incoming, said_at
from .placing import Placed, several


def lead(placed: Sequence[Placed], standing: Standing, base: str) -> tuple[list[Placed], dict[str, str]]:
    """Return the resources with their links rewritten, and the table of links (as received -> here).

    Errors: PreconditionFailedError if a conditional reference matches none or several.
    """
    links: dict[str, str] = {}
    for one in placed:
        if one.incoming.full_url:
            links[one.incoming.full_url] = one.reference
        given = (one.incoming.resource or {}).get("id") or _id_in(one.incoming)
        if given and given != one.id:
            links[f"{one.type}/{given}"] = one.reference
    for one in placed:
        for reference in _references([one.resource]):
            if reference in links:
                continue
            unversioned, versioned, _ = reference.partition("/_history/")
            if versioned and unversioned in links:
                links[reference] = links[unversioned]  # which version that was there, nobody can tell here
                continue
            if base and reference.startswith(f"{base}/"):
                links[reference] = reference.removeprefix(f"{base}/")
                continue
            type_, question, query = reference.partition("?")
            if question and type_ in RESOURCE_TYPES:
                with said_at(one.incoming.place):
                    links[reference] = f"{type_}/{_only(standing, type_, query, one.type)}"
    if not links:
        return list(placed), links
    return [replace(one, resource=rewritten(one.resource, links)) for one in placed], links


def _id_in(incoming: Incoming) -> str | None:
    """Return the id that a RESTful fullUrl gives a resource without one: relative references go by it.

    Source: http://hl7.org/fhir/R4/bundle.html#references
    """
    type_, _, id_ = (incoming.full_url or "").rpartition("/")
    return id_ if type_.startswith("http") and type_.endswith(f"/{incoming.type}") else None


def _only(standing: Standing, type_: str, query: str, source: str) -> str:
    matches = standing.matching(type_, query)
    if len(matches) == 1:
        return matches[0]
    sentence = f"The reference to {type_} matches {len(matches)} resources; it must match exactly one."
    raise several(sentence, source) if matches else PreconditionFailedError(sentence, place=source)


def rewritten(value: Any, links: Mapping[str, str]) -> Any:
    """Return JSON values with every `reference` that the table of links names led to its target."""
    if isinstance(value, dict):
        return {
            name: links.get(item, item) if name == "reference" and isinstance(item, str) else rewritten(item, links)
            for name, item in value.items()
        }
    if isinstance(value, list):
        return [rewritten(item, links) for item in value]
    return value


def _references(values: Iterable[Any]) -> Iterable[str]:
    """Return every `reference` string inside the values."""
    for value in values:
        if isinstance(value, dict):
            reference = value.get("reference")
            if isinstance(reference, str):
                yield reference
            yield from _references(value.values())
        elif isinstance(value, list):
            yield from _references(value)
