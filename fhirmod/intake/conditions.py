"""Which resources a condition names: one search by identifier, in a header, an address or a reference.

Source: http://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #trules (deletes, creates, updates in this order; so
        each condition sees what those before it leave, and conditional references see all).
"""

from collections.abc import Mapping
from typing import Any
from urllib.parse import parse_qsl

from fhirmod.errors import NotSupportedError
from fhirmod.r4 import alternatives, search_parameters, token
from fhirmod.store import Access, Reader, Sought

from .putting import indexed

_MOST_NAMED = 100


class Standing:
    """What is stored, with what one request has so far changed of it; found by identifier."""

    def __init__(self, reader: Reader, access: Access) -> None:
        self._reader, self._access = reader, access
        self._changed: dict[tuple[str, str], Mapping[str, Any] | None] = {}
        self._unread: list[tuple[str, str]] = []
        self._tokens: dict[tuple[str, str], frozenset[tuple[str, str]]] = {}
        self._carrying: dict[tuple[str, str], dict[str, None]] = {}

    def put(self, type_: str, id_: str, resource: Mapping[str, Any] | None) -> None:
        """Return nothing; this resource will stand as given, or will be gone."""
        self._changed[type_, id_] = resource
        self._unread.append((type_, id_))

    def matching(self, type_: str, query: str) -> list[str]:
        """Return the ids that ``identifier=system|value`` (or ``value``, of any system) matches.

        Errors: NotSupportedError for any other search in a condition.
        """
        system, value = _asked(type_, query)
        found = [id_ for id_ in self._stored(type_, system, value) if (type_, id_) not in self._changed]
        self._read()
        for id_ in self._carrying.get((type_, value), ()):
            tokens = self._tokens[type_, id_]
            if any(code == value and system in (None, its) for its, code in tokens):
                found.append(id_)
        return found

    def _read(self) -> None:
        """Read the identifiers of what was put since the last question; most requests ask none."""
        for key in self._unread:
            resource = self._changed[key]
            tokens = indexed(resource)[0] if resource is not None else ()
            self._tokens[key] = frozenset((system, code) for name, system, code in tokens if name == "identifier")
            for _, code in self._tokens[key]:
                self._carrying.setdefault((key[0], code), {})[key[1]] = None
        self._unread.clear()

    def _stored(self, type_: str, system: str | None, value: str) -> list[str]:
        if system is not None:
            return self._reader.identified(self._access, type_, system, value)
        named = Sought(("identifier",), ((("text", "=", value),),))
        page = self._reader.search(self._access, type_, [named], count=_MOST_NAMED)
        return [one.id for one in page.versions]


def values_asked(query: str) -> list[str]:
    """Return the values that a condition names, whatever their systems."""
    return [value.rpartition("|")[2] for _, value in parse_qsl(query.partition("?")[2] if "?" in query else query)]


def _asked(type_: str, query: str) -> tuple[str | None, str]:
    parts = parse_qsl(query.partition("?")[2] if "?" in query else query, keep_blank_values=True)
    if len(parts) != 1 or parts[0][0] != "identifier":
        raise NotSupportedError(
            "A condition here is one search by identifier (identifier=system|value).", place="condition"
        )
    if "identifier" not in search_parameters(type_):
        raise NotSupportedError(f"{type_} is not found by identifier in R4.", place="condition")
    asked = alternatives(parts[0][1])
    system, value = token(asked[0]) if len(asked) == 1 else (None, None)
    if not value:
        raise NotSupportedError("A condition here names one identifier by its value.", place="condition")
    return system, value
