"""What a request asks of types beyond that of its address: such a type must be in the caller's scopes too.

One function for each way there is: a search that goes on to other types, and a body whose references are conditions.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from api.scopes import Need
from fhirmod.r4 import RESOURCE_TYPES
from fhirmod.store import Chained, Criterion, Had

from .including import INCLUDES, Include, led_to
from .understanding import Understood

_CONDITION = re.compile(rf"({'|'.join(sorted(RESOURCE_TYPES))})\?[\w.:\-]+=", re.ASCII)


def reached(asked: Understood) -> Iterator[Need]:
    """Yield what a search needs besides ``s`` of its own type, by what it was understood to reach.

    Shape: a chain and `_has` search the types on their way; `_revinclude` searches the type it names, `_include` reads
           the types it leads to. What would lead on and is not known needs every type: it is told to nobody else.
    """
    yield from _searched(asked.criteria)
    for one in asked.brought:
        yield from _brought(one)
    for (name, _), _ in asked.ignored:
        if name in INCLUDES:
            yield ("s" if name.startswith("_rev") else "r"), "*"
        elif "." in name:
            yield "s", "*"


def _searched(criteria: Iterable[Criterion]) -> Iterator[Need]:
    for one in criteria:
        match one:
            case Chained(_, ways):
                for type_, inner in ways:
                    yield "s", type_
                    yield from _searched([inner])
            case Had(type_, _, inner):
                yield "s", type_
                yield from _searched([inner])


def _brought(one: Include) -> Iterator[Need]:
    if one.backwards:
        yield "s", one.source
    else:
        yield "r", one.source
        for type_ in sorted(led_to(one)):
            yield "r", type_


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
