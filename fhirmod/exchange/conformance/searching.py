"""The SearchParameters that are ours, as resources."""

from collections.abc import Iterator
from typing import Any

from fhirmod.mapping import OWN_SEARCHES

from .header import headed

_COMPARATORS = {"date": ["eq", "ne", "gt", "ge", "lt", "le", "sa", "eb", "ap"]}
_MODIFIERS = {"token": ["missing", "not"], "reference": ["missing", "identifier", "type"], "date": ["missing"]}


def own_search_parameters() -> Iterator[dict[str, Any]]:
    """Return a SearchParameter for each search of ours."""
    for one in OWN_SEARCHES:
        made = headed("SearchParameter", one.id, "", one.described) | {
            "code": one.code,
            "base": [one.base],
            "type": one.type,
            "expression": one.expression,
            "xpathUsage": "normal",
            "multipleOr": True,
            "multipleAnd": True,
            "modifier": _MODIFIERS[one.type],
        }
        if one.targets:
            made["target"] = list(one.targets)
        if one.type in _COMPARATORS:
            made["comparator"] = _COMPARATORS[one.type]
        yield made
