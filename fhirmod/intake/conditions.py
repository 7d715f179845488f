"""Which resources a condition names: a search of one type, in a header, an address or a reference.

Source: http://hl7.org/fhir/R4/http.html#ccreate, #cond-update, #trules (deletes, creates, updates in this order; so
        each condition sees what those before it leave, and conditional references see all).
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import islice
from typing import Any
from urllib.parse import parse_qsl

from fhirmod.errors import BadParameterError, NotSupportedError
from fhirmod.r4 import alternatives
from fhirmod.store import Reader, Sought

from .chaining import criterion
from .pending import Pending
from .request import Request
from .seeking import Asking
from .wide import merged

_MOST_NAMED = 100  # more than one is too many; how many more is said up to here
_MOST_ASKED, _MOST_ALTERNATIVES = 10, 200  # as many as a search takes


class Standing:
    """What is stored, with what one request has so far changed of it; found by conditions."""

    def __init__(self, reader: Reader, request: Request) -> None:
        self._reader, self._access = reader, request.access
        self._asking = Asking(request.base, request.now)
        self._pending = Pending(request.now)

    def put(self, type_: str, id_: str, resource: Mapping[str, Any] | None) -> None:
        """Return nothing; this resource will stand as given, or will be gone."""
        self._pending.put(type_, id_, resource)

    def matching(self, type_: str, query: str) -> list[str]:
        """Return the ids that a condition such as ``identifier=system|value&code=x`` matches.

        Errors: as `_criteria`.
        """
        criteria = _criteria(type_, query, self._asking)
        stored = (id_ for id_ in self._stored(type_, criteria) if (type_, id_) not in self._pending)
        return [*islice(stored, _MOST_NAMED), *self._pending.meeting(type_, criteria)]

    def _stored(self, type_: str, criteria: Sequence[Sought]) -> Iterator[str]:
        if (exactly := _identifier(criteria)) is not None:
            yield from self._reader.identified(self._access, type_, *exactly)
            return
        after, asked = None, merged(type_, criteria)
        while True:
            page = self._reader.search(self._access, type_, asked, after=after, count=_MOST_NAMED, counted=False)
            yield from (one.id for one in page.versions)
            if (after := page.next) is None:
                return


def asked_by(query: str) -> list[tuple[str, str]]:
    """Return the parameters of a condition, which may have the type and a question mark in front.

    Errors: BadParameterError if what is percent-encoded is no UTF-8, or U+0000, which no text has.
    """
    before, _, behind = query.partition("?")
    try:
        asked = parse_qsl(behind if behind and "=" not in before else query, keep_blank_values=True, errors="strict")
    except UnicodeDecodeError:
        raise BadParameterError("A condition must be percent-encoded UTF-8; it is not.", place="condition") from None
    if any("\0" in text for pair in asked for text in pair):
        raise BadParameterError("A condition holds the character U+0000 (%00), which no text has.", place="condition")
    return asked


def _criteria(type_: str, query: str, asking: Asking) -> list[Sought]:
    """Return what a condition asks for; nothing of it is left out, since less would then be asked than was meant.

    Errors: NotSupportedError for a parameter that is not answered here, or that leads on to other resources;
            BadParameterError for one without a value or with one of another type, and for too many.
    """
    asked = asked_by(query)
    counts = [len(alternatives(value)) for _, value in asked]
    if not asked or 0 in counts:
        what = f"The parameter {asked[counts.index(0)][0][:40]} of a condition" if asked else "A condition"
        raise BadParameterError(f"{what} needs a value, like identifier=system|value; got none.", place="condition")
    if len(asked) > _MOST_ASKED or sum(counts) > _MOST_ALTERNATIVES:
        raise BadParameterError(
            f"A condition takes at most {_MOST_ASKED} criteria with {_MOST_ALTERNATIVES} alternatives in all; "
            f"got {len(asked)} with {sum(counts)}.",
            place="condition",
        )
    found = []
    for name, value in asked:
        one = criterion(type_, name, value, asking)
        if not isinstance(one, Sought):
            raise NotSupportedError(
                f"A condition here takes parameters of {type_} itself; {name[:40]} leads on to others.",
                place="condition",
            )
        found.append(one)
    return found


def _identifier(criteria: Sequence[Sought]) -> tuple[str, str] | None:
    """Return system and value if one identifier with its system is all that is asked for."""
    if len(criteria) != 1 or criteria[0].params != ("identifier",) or criteria[0].none or len(criteria[0].clauses) != 1:
        return None
    said = {column: str(value) for column, _, value in criteria[0].clauses[0]}
    return (said["scope"], said["text"]) if {"scope", "text"} <= said.keys() else None
