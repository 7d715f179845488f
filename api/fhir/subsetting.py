"""`_summary` and `_elements`: which part of each resource an answer carries.

Source: HL7 FHIR R4 search.html#summary, #elements; http.html#read (they count for reads and histories too).
"""

from collections.abc import Callable, Mapping
from typing import Any

from starlette.datastructures import QueryParams

from fhirmod.errors import BadParameterError
from fhirmod.r4 import data, dump, elements, narrative, parse, summary

_WAYS: Mapping[str, Callable[[Mapping[str, Any]], dict[str, Any]]] = {
    "true": summary,
    "text": narrative,
    "data": data,
}
Part = Callable[[bytes], bytes]
SUBSETTING = frozenset(("_summary", "_elements"))


def subsetting(query: QueryParams, *, count: bool = False) -> Part | None:
    """Return what makes the wanted part of a stored text, or None if all of it is wanted.

    Shape:  `count` says that `_summary=count` may be asked; it is the caller's to answer.
    Errors: BadParameterError if the parameters cannot be understood, or both are given.
    """
    said, named = query.get("_summary", "false"), query.getlist("_elements")
    words = (*_WAYS, "false", *(("count",) if count else ()))
    if said not in words:
        raise BadParameterError(
            f"The parameter _summary must be {', '.join(words[:-1])} or {words[-1]}; got {said[:20]!r}.",
            place="_summary",
        )
    if named and said != "false":
        sentence = "The parameters _summary and _elements exclude each other; give one."
        raise BadParameterError(sentence, place="_elements")
    if named:
        wanted = [name.strip() for name in ",".join(named).split(",") if name.strip()]
        if not wanted:
            raise BadParameterError("The parameter _elements needs names of elements; got none.", place="_elements")
        return lambda text: dump(elements(parse(text), wanted))
    way = _WAYS.get(said)
    return None if way is None else lambda text: dump(way(parse(text)))
