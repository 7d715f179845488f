"""What a search asks, read from its parameters: what is applied, what is not and why, and what it reaches.

What each parameter means is said by `intake.criteria`; this is the one reader that pages, scopes and `self` share.

Source: http://hl7.org/fhir/R4/search.html#errors, #lenient
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from api.asking import refuse_twice
from fhirmod.errors import BadParameterError, Finding, NotSupportedError
from fhirmod.intake import Asking, answered, criteria, orders, unknown
from fhirmod.r4 import alternatives
from fhirmod.store import Criterion, Order

from .including import INCLUDES, Include, read_include
from .subsetting import SUBSETTING

MOST_CRITERIA, MOST_ALTERNATIVES = 10, 200
_ONCE = frozenset(("_count", "_after", "_format", "_pretty", "_total", "_summary"))
_FORM = SUBSETTING | {"_total", "_format", "_pretty"}  # stand in the links as they were asked
CONTROL = frozenset(("_sort", *INCLUDES)) | _ONCE | SUBSETTING
_MOST_SAID = 20
Pair = tuple[str, str]


class Ignored(NamedTuple):
    """A parameter that a lenient client gave and that is not applied, and the error a strict one is told."""

    pair: Pair
    why: NotSupportedError


@dataclass(frozen=True, slots=True)
class Understood:
    """What a search asks.

    Shape: `applied` is what `self` lists, as it was given; `ignored` what it does not.
    """

    criteria: list[Criterion]
    orders: tuple[Order, ...]
    brought: list[Include]
    applied: list[Pair]
    ignored: list[Ignored]

    def findings(self) -> list[Finding]:
        """Return what to tell of the parameters that were not applied; none if all were."""
        said = [replace(one.why.findings[0], severity="warning") for one in self.ignored[:_MOST_SAID]]
        said = [replace(one, sentence=f"Not applied: {one.sentence}") for one in said]
        more = len(self.ignored) - len(said)
        if more:
            sentence = f"Not applied either: {more} more parameters."
            said.append(Finding("warning", "not-supported", "not-supported", "", sentence))
        return said


def searchable(type_: str) -> tuple[str, ...]:
    """Return the search parameters that this service answers for a type."""
    return tuple(sorted(answered(type_)))


def understood(type_: str, query: Sequence[Pair], asking: Asking, *, strict: bool) -> Understood:
    """Return what the parameters of a search of a type ask for.

    Errors: NotSupportedError for what is not known, if the client is strict, and for what is known with a modifier, or
            leads on, always: less would be asked than was meant; BadParameterError for a wrong value, none at all, a
            form given twice, or more than one statement can answer.
    """
    refuse_twice(query, _ONCE)
    _refuse_misread(query)
    narrowing = [one for one in query if one[0] not in CONTROL]
    asked = [one for one in narrowing if _is_known(type_, one[0])]
    ignored = [Ignored(one, unknown(type_, one[0])) for one in narrowing if not _is_known(type_, one[0])]
    brought: list[tuple[Pair, Include]] = []
    for one in query:
        if one[0] in INCLUDES:
            found = read_include(*one)
            if isinstance(found, Include):
                brought.append((one, found))
            else:
                ignored.append(Ignored(one, found))
    text = ",".join(value for name, value in query if name == "_sort")
    order: tuple[Order, ...] = ()
    try:
        order = orders(type_, text) if text else ()
    except NotSupportedError as wrong:
        ignored.append(Ignored(("_sort", text), wrong))
    if strict and ignored:
        raise ignored[0].why
    _refuse_unanswerable(asked)
    applied = [*asked, *([("_sort", text)] if order else []), *(one for one, _ in brought)]
    applied += [one for one in dict.fromkeys(query) if one[0] in _FORM]
    return Understood(criteria(type_, asked, asking), order, [one for _, one in brought], applied, ignored)


def _is_known(type_: str, name: str) -> bool:
    """Return whether a parameter narrows the search: one that is known, a chain, or `_has`."""
    plain = name.partition(":")[0].partition(".")[0]
    return plain == "_has" or plain in answered(type_)


def _refuse_misread(query: Sequence[Pair]) -> None:
    """Return nothing if no parameter of the search itself has a modifier that it has not, or does not go with another.

    Errors: NotSupportedError, BadParameterError; of a lenient client too, as R4 says.
    Source: search.html#modifiers ("SHALL reject any search request that ... is suffixed by a modifier that the server
            does not support for that parameter"), #query ("SHALL refuse to process a search request if they do not
            recognize the _query parameter value"), #summary (includes "cannot be mixed with _summary=text").
    """
    for name, _ in query:
        if name == "_query":
            raise NotSupportedError("There are no named queries here; leave _query out.", place="_query")
        if name not in CONTROL and name.partition(":")[0] in CONTROL:
            raise NotSupportedError(
                f"The parameter {name[:40]!r} has a modifier that it has not here.", place=name[:40]
            )
        if name in INCLUDES and ("_summary", "text") in query:
            raise BadParameterError(f"The parameter {name} does not go with _summary=text; give one.", place=name)


def _refuse_unanswerable(asked: list[Pair]) -> None:
    """Return nothing if every criterion asks for something and one statement can answer them all.

    A criterion without a value is no search for everything: someone's patient parameter may have stayed empty.
    Errors: BadParameterError if one has no value, or there are too many criteria or alternatives.
    """
    counts = [len(alternatives(value)) for _, value in asked]
    if 0 in counts:
        name = asked[counts.index(0)][0]
        raise BadParameterError(f"The parameter {name} needs a value; got none.", place=name)
    if len(asked) > MOST_CRITERIA or sum(counts) > MOST_ALTERNATIVES:
        raise BadParameterError(
            f"A search takes at most {MOST_CRITERIA} criteria with {MOST_ALTERNATIVES} alternatives in all; "
            f"got {len(asked)} with {sum(counts)}."
        )
