"""From a key to its concept, and from received codings back to the key."""

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from functools import cache
from typing import Any

from .concept import READ, Concept, Relation
from .systems import OWN_SYSTEM
from .table import build, table


class UnknownConceptError(KeyError):
    """A key that the table does not have; the sentence names the nearest one."""

    def __init__(self, key: str) -> None:
        import difflib  # noqa: PLC0415  slow to load, wanted only here

        near = difflib.get_close_matches(key, keys(), 1)
        hint = f'; did you mean "{near[0]}"?' if near else "; see bindings.toml for the keys there are"
        super().__init__(f'There is no concept "{key}"{hint}')

    def __str__(self) -> str:
        return str(self.args[0])


@cache
def concept(key: str) -> Concept:
    """Return the concept of a key, always the same object.

    Shape: `<kind>` the act itself, `<kind>.<field>` a question, `<kind>.<field>.<word>` an answer, and the
           structural keys of bindings.toml.
    Errors: UnknownConceptError (a KeyError) if the table has no such key.
    """
    try:
        return build(key)
    except KeyError:
        if key in table().home:
            raise
        raise UnknownConceptError(key) from None


@cache
def keys() -> tuple[str, ...]:
    """Return every key in the table's order, shared questions and words spelt out."""
    return tuple(table().home)


@cache
def words(question: str) -> tuple[str, ...]:
    """Return the keys of a question's answers.

    >>> words("bleeding-response.response")[2]
    'bleeding-response.response.stopped'
    """
    concept(question)
    return tuple(key for key in keys() if key.startswith(f"{question}."))


def find(codings: Sequence[Mapping[str, Any]], among: Iterable[str]) -> str | None:
    """Return the key among candidates that FHIR codings mean, or None if none or more than one fits.

    Shape: our own code decides alone; else codes of the same meaning, else narrower ones, each only where
           one candidate claims it. Broader and neighbouring codes are never read.
    """
    allowed = among if isinstance(among, AbstractSet) else frozenset(among)
    received = [(coding.get("system"), coding.get("code")) for coding in codings]
    own = [pair for pair in received if pair[0] == OWN_SYSTEM and pair in _index()["own"]]
    if own:
        return _only(own, "own", allowed)
    return _only(received, "same", allowed) or _only(received, "narrower", allowed)


def _only(received: list[tuple[Any, Any]], relation: Relation, allowed: AbstractSet[str]) -> str | None:
    index = _index()[relation]
    found = set()
    for pair in received:
        fitting = [key for key in index.get(pair, ()) if key in allowed]
        if len(fitting) == 1:
            found.add(fitting[0])
    return found.pop() if len(found) == 1 else None


@cache
def _index() -> dict[Relation, dict[tuple[str, str], list[str]]]:
    index: dict[Relation, dict[tuple[str, str], list[str]]] = {relation: {} for relation in READ}
    for key in keys():
        for coding in concept(key).codings:
            if coding.relation in index:
                index[coding.relation].setdefault((coding.system, coding.code), []).append(key)
    return index
