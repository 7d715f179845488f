"""Code systems that a `code` does not name, since the value set it is bound to does.

Source: http://hl7.org/fhir/R4/search.html#token (of code: "(implicit)", "the system is defined in the value set")
"""

from functools import cache

from .bindings import members
from .facts import facts
from .search import SearchParameter


@cache
def implied_systems(parameter: SearchParameter) -> frozenset[str]:
    """Return the systems that what a parameter finds is of, though it stands there without any.

    Shape: none unless each of its elements is a code with a required binding.

    >>> from .search import search_parameters
    >>> implied_systems(search_parameters("Patient")["gender"])
    frozenset({'http://hl7.org/fhir/administrative-gender'})
    >>> implied_systems(search_parameters("Observation")["code"])
    frozenset()
    """
    ways = [
        one for each in parameter.expression.split("|") if (one := each.strip()).startswith(f"{parameter.resource}.")
    ]
    found = [_bound(way) for way in ways]
    return frozenset().union(*found) if all(found) else frozenset()


def _bound(path: str) -> frozenset[str]:
    shape, *names = path.split(".")
    types: list[str] = []
    binding: list[str] = []
    for name in names:
        listed = facts()["shapes"].get(shape, {"elements": ()})["elements"]
        element = next((one for one in listed if one["name"] == name), None)
        if element is None:
            return frozenset()
        types, binding = element["types"], element.get("binding", [])
        shape = element.get("shape", types[0])
    if types != ["code"] or binding[:1] != ["required"]:
        return frozenset()
    return frozenset(members(binding[1]).pairs)
