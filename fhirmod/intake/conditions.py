"""Which resources a condition names: one search by identifier, in If-None-Exist or as a reference.

Source: http://hl7.org/fhir/R4/http.html#ccreate, #trules (conditional references are resolved last, so they also
        find what their own transaction writes).
"""

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import parse_qsl

from fhirmod.errors import NotSupportedError
from fhirmod.r4 import alternatives, search_parameters, token
from fhirmod.store import Access, Reader

from .putting import indexed

_MOST_NAMED = 100


def matching(
    reader: Reader, access: Access, type_: str, query: str, *, among: Iterable[tuple[str, Mapping[str, Any]]] = ()
) -> list[str]:
    """Return the ids that ``identifier=system|value`` (or ``value``, of any system) matches.

    Shape:  `among` are resources of this type about to be written, by id; they count as they will stand.
    Errors: NotSupportedError for any other search in a condition.
    """
    system, value = _asked(type_, query)
    found = dict.fromkeys(_stored(reader, access, type_, system, value))
    for id_, resource in among:
        tokens, _ = indexed(resource)
        if any(name == "identifier" and code == value and system in (None, its) for name, its, code in tokens):
            found[id_] = None
        else:
            found.pop(id_, None)
    return list(found)


def _asked(type_: str, query: str) -> tuple[str | None, str]:
    parts = parse_qsl(query.partition("?")[2] if "?" in query else query, keep_blank_values=True)
    if len(parts) != 1 or parts[0][0] != "identifier":
        raise NotSupportedError(
            "A condition here is one search by identifier (identifier=system|value).", place="If-None-Exist"
        )
    if "identifier" not in search_parameters(type_):
        raise NotSupportedError(f"{type_} is not found by identifier in R4.", place="If-None-Exist")
    asked = alternatives(parts[0][1])
    system, value = token(asked[0]) if len(asked) == 1 else (None, None)
    if not value:
        raise NotSupportedError("A condition here names one identifier by its value.", place="If-None-Exist")
    return system, value


def _stored(reader: Reader, access: Access, type_: str, system: str | None, value: str) -> list[str]:
    if system is not None:
        return reader.identified(access, type_, system, value)
    page = reader.search(access, type_, tokens=[("identifier", [(None, value)])], count=_MOST_NAMED)
    return [one.id for one in page.versions]
