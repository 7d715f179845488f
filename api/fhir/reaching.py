"""What a request asks of types beyond that of its address: such a type must be in the caller's scopes too.

One function for each way there is: a search that goes on to other types, and a body whose references are conditions.
"""

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from api.scopes import Need
from fhirmod.intake import leads_to
from fhirmod.r4 import RESOURCE_TYPES

_CONDITION = re.compile(rf"({'|'.join(sorted(RESOURCE_TYPES))})\?[\w.:\-]+=", re.ASCII)
_INCLUDES = ("_include", "_revinclude")


def searched_beyond(type_: str, query: Iterable[tuple[str, str]]) -> Iterator[Need]:
    """Yield what a search needs besides ``s`` of its own type, by what its parameters reach.

    Shape: a chain and `_has` search the types on their way; `_revinclude` searches the type it names, `_include` reads
           the types it leads to. Where a parameter may lead to several types and names none, all of them count.

    >>> list(searched_beyond("Observation", [("patient.name", "x"), ("_include", "Observation:subject:Patient")]))
    [('s', 'Patient'), ('r', 'Observation'), ('r', 'Patient')]
    """
    for name, value in query:
        plain = name.partition(":")[0]
        if plain in _INCLUDES:
            for one in value.split(","):
                yield from _included(plain, one)
        elif plain == "_has":
            yield from _had(name)
        elif "." in name:
            yield from _chained(type_, name)


def _included(name: str, value: str) -> Iterator[Need]:
    source, _, rest = value.partition(":")
    param, _, target = rest.partition(":")
    if name == "_revinclude":
        yield "s", _known(source)
    else:
        yield "r", _known(source)
        for type_ in _targets(source, param, target):
            yield "r", type_


def _had(name: str) -> Iterator[Need]:
    _, source, _, *rest = (*name.split(":", 3), "", "", "")
    yield "s", _known(source)
    further = rest[0]
    if further.startswith("_has"):
        yield from _had(further)
    elif "." in further:
        yield from _chained(source, further)


def _chained(type_: str, name: str) -> Iterator[Need]:
    first, _, rest = name.partition(".")
    param, _, target = first.partition(":")
    for one in _targets(type_, param, target):
        yield "s", one
        if rest.startswith("_has"):
            yield from _had(rest)
        elif "." in rest:
            yield from _chained(one, rest)


def _targets(type_: str, param: str, target: str) -> Sequence[str]:
    if target:
        return (_known(target),)
    return sorted(leads_to(type_, param)) or ("*",)


def _known(type_: str) -> str:
    return type_ if type_ in RESOURCE_TYPES else "*"


def looked_up(body: Any) -> Iterator[Need]:
    """Yield what the conditional references of a body need, wherever they stand in it: to find is to search.

    >>> list(looked_up({"subject": {"reference": "Patient?identifier=urn:x|1"}}))
    [('s', 'Patient')]
    """
    waiting = [body]
    while waiting:
        value = waiting.pop()
        if isinstance(value, Mapping):
            waiting.extend(value.values())
        elif isinstance(value, list):
            waiting.extend(value)
        elif isinstance(value, str) and (found := _CONDITION.match(value)) is not None:
            yield "s", found[1]
