"""A search parameter as it is named in a request: one of the type, a chain to what it refers to, or `_has`.

Source: http://hl7.org/fhir/R4/search.html#chaining, #has
"""

import re
from collections.abc import Iterable
from functools import cache

from fhirmod.errors import BadParameterError, FhirmodError, NotSupportedError
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, alternatives
from fhirmod.store import Chained, Criterion, Had, Sought

from .narrowed import rows_of
from .seeking import Asking, sought, sought_parameters

_ONLY = re.compile(r"resolve\(\) is (\w+)")  # a reference may lead elsewhere, this parameter does not
MOST_STEPS = 3  # references that are followed one after the other
MOST_ENDS = 100  # what is asked at the ends of all chains of a search: each stands in its statement several times


def criterion(type_: str, name: str, value: str, asking: Asking, steps: int = MOST_STEPS) -> Criterion:
    """Return what a parameter asks for, its name with modifier, chain or `_has` as in the request.

    Errors: NotSupportedError for a name that is not answered; BadParameterError for a value that is none of its type.
    """
    if steps < 0:
        raise NotSupportedError(f"A search follows {MOST_STEPS} references at most.", place=name[:40])
    if name.partition(":")[0] == "_has":
        return _had(type_, name, value, asking, steps)
    first, dot, rest = name.partition(".")
    if dot:
        return _chained(type_, first, rest, value, asking, steps)
    plain, _, modifier = name.partition(":")
    if plain not in answered(type_):
        raise unknown(type_, name)
    return sought(type_, plain, modifier, value, asking)


def criteria(type_: str, asked: Iterable[tuple[str, str]], asking: Asking) -> list[Criterion]:
    """Return what the parameters of a search ask for, if their chains, each to all types that it names or leaves open,
    fit one statement.

    Shape:  where a chain ends is found with its first alternative, so what is refused is not read two hundred times.
    Errors: as `criterion`; BadParameterError.
    """
    found: list[Criterion] = []
    ends = 0
    for name, value in asked:
        if "." in name or name.startswith("_has:"):
            _refuse_broad(ends + _ends(criterion(type_, name, alternatives(value)[0], asking)))
        one = criterion(type_, name, value, asking)
        if not isinstance(one, Sought):
            ends += _ends(one)
            _refuse_broad(ends)
        found.append(one)
    return found


def _refuse_broad(ends: int) -> None:
    if ends > MOST_ENDS:
        raise BadParameterError(
            f"The chains of a search end in at most {MOST_ENDS} types and alternatives in all; got at least {ends}; "
            "name the types meant, like subject:Patient.name, or fewer alternatives."
        )


def _ends(criterion: Criterion) -> int:
    """Return how many conditions a criterion has where it ends; those that differ by an exact text are one."""
    match criterion:
        case Sought(_, clauses, _):
            return len({tuple(part for part in clause if part[:2] != ("text", "=")) for clause in clauses})
        case Chained(_, ways):
            return sum(_ends(inner) for _, inner in ways)
        case Had(_, _, inner):
            return _ends(inner)


@cache
def answered(type_: str) -> frozenset[str]:
    """Return the names of the parameters that are answered for a type."""
    return frozenset(sought_parameters(type_))


def unknown(type_: str, name: str) -> NotSupportedError:
    """Return the error that says what a type is searched by."""
    return NotSupportedError(
        f"{type_} is not searched by {name[:40]!r} here; it is by {', '.join(sorted(answered(type_)))}.",
        place=name[:40],
    )


def leads_to(type_: str, name: str) -> frozenset[str]:
    """Return the types that a parameter refers to; none if it is no reference, or not answered."""
    if name not in answered(type_) or searches(type_)[name].type != "reference":
        return frozenset()
    found = searches(type_)[name]
    ways = [one for one in found.expression.split("|") if one.strip().startswith(f"{type_}.")]
    narrowed = [_ONLY.search(one) for one in ways]
    only = frozenset(str(one[1]) for one in narrowed if one is not None)
    led = only if narrowed and all(narrowed) else found.targets
    return RESOURCE_TYPES if "Resource" in led else led & RESOURCE_TYPES


def _chained(type_: str, first: str, rest: str, value: str, asking: Asking, steps: int) -> Chained:
    """Return what a chain asks for; without a type it goes to each type that has the parameter it goes on with.

    Errors: as `criterion`; where it fits no type, that of the first, or that of a value.
    """
    plain, _, narrowed = first.partition(":")
    if plain not in answered(type_):
        raise unknown(type_, first)
    targets = leads_to(type_, plain)
    if not targets or (narrowed and narrowed not in targets):
        led = f"to {', '.join(sorted(targets))}" if targets else "to no other resource"
        raise NotSupportedError(f"{plain} of {type_} leads {led}; got {first[:40]!r}.", place=f"{first}.{rest}"[:60])
    ends = "" if narrowed or len(targets) == 1 or rest.startswith("_has:") else re.split("[.:]", rest, maxsplit=1)[0]
    if ends and not any(ends in answered(one) for one in targets):
        led = ", ".join(sorted(targets))
        raise NotSupportedError(
            f"{plain} of {type_} leads to {led}; none of these is searched by {ends[:40]!r} here.",
            place=f"{first}.{rest}"[:60],
        )
    ways: list[tuple[str, Criterion]] = []
    wrong: list[FhirmodError] = []
    for target in [narrowed] if narrowed else sorted(targets):
        try:
            ways.append((target, criterion(target, rest, value, asking, steps - 1)))
        except (NotSupportedError, BadParameterError) as error:
            wrong.append(error)
    if not ways:
        raise next((one for one in wrong if isinstance(one, BadParameterError)), wrong[0])
    return Chained((rows_of(type_, plain),), tuple(ways))


def _had(type_: str, name: str, value: str, asking: Asking, steps: int) -> Had:
    """Return what `_has:Observation:patient:code` asks for: an Observation refers to it by `patient`, with the code.

    Errors: as `criterion`.
    """
    _, source, by, rest = (*name.split(":", 3), "", "", "")[:4]
    if source not in RESOURCE_TYPES or not rest or type_ not in leads_to(source, by):
        raise NotSupportedError(
            f"_has names a type, its parameter that refers to a {type_}, and what it is searched by, like "
            f"_has:Observation:patient:code; got {name[:60]!r}.",
            place=name[:60],
        )
    return Had(source, (rows_of(source, by),), criterion(source, rest, value, asking, steps - 1))
