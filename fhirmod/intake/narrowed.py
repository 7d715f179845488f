"""Reference parameters that have no rows, since those of another say it all: `patient` is `subject`, where that is one.

R4 says so itself: `Observation.patient` is ``Observation.subject.where(resolve() is Patient)``. A row of `subject` has
the type beside the id, an address too has it here; who is only identified has a row of `patient:identifier`.
"""

import re
from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

from fhirmod.mapping import searches
from fhirmod.r4 import SearchParameter

_ONLY = re.compile(r"(.+)\.where\(resolve\(\) is (\w+)\)")


class Narrowed(NamedTuple):
    """Whose rows are asked, and the type of what these must refer to."""

    of: str
    to: str


@cache
def narrowed(type_: str) -> Mapping[str, Narrowed]:
    """Return the parameters of a type that are another one narrowed to a type, by name.

    >>> narrowed("Observation"), narrowed("AllergyIntolerance")
    ({'patient': Narrowed(of='subject', to='Patient')}, {})
    """
    wide: dict[str, str] = {}
    ways = {name: way for name, one in searches(type_).items() if (way := _way(type_, one))}
    for name, way in ways.items():
        wide.setdefault(way, name)
    return {
        name: Narrowed(wide[match[1]], match[2])
        for name, way in ways.items()
        if (match := _ONLY.fullmatch(way)) and match[1] in wide
    }


def rows_of(type_: str, name: str) -> str:
    """Return the parameter whose rows hold the references by this one."""
    return narrowed(type_)[name].of if name in narrowed(type_) else name


def _way(type_: str, parameter: SearchParameter) -> str:
    """Return the one path of a reference parameter in a type, or nothing."""
    ways = [one for each in parameter.expression.split("|") if (one := each.strip()).startswith(f"{type_}.")]
    return ways[0] if len(ways) == 1 and parameter.type == "reference" else ""
