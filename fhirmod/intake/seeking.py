"""What a search asks of the rows of `indexing`: one parameter with its modifier and value becomes one criterion.

What has a range (times, numbers, quantities) is in `ranged`, the two values of a composite in `composed`.

Source: http://hl7.org/fhir/R4/search.html#modifiers, #string, #token, #reference, #uri, #composite
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from itertools import chain, product

from fhirmod.errors import BadParameterError, NotSupportedError
from fhirmod.mapping import searches
from fhirmod.r4 import (
    RESOURCE_TYPES,
    SearchParameter,
    alternatives,
    component_types,
    composed,
    ends_in,
    implied_systems,
    token,
    unescaped,
)
from fhirmod.store import Clause, Key, Part, Sought, short

from .composed import met_by_both
from .indexing import OF_TYPE, TEXT, UNIONS, UNTOLD, brief, cut, fold, indexed_parameters, kind, target
from .narrowed import narrowed, rows_of
from .ranged import NO_TEXT, dates, numbers, of_any_length, quantities

MODIFIERS: Mapping[str, frozenset[str]] = {
    "token": frozenset(("missing", "not")),
    "string": frozenset(("missing", "exact", "contains")),
    "reference": frozenset(("missing", "identifier")),
    "date": frozenset(("missing",)),
    "number": frozenset(("missing",)),
    "quantity": frozenset(("missing",)),
    "uri": frozenset(("missing",)),
    "composite": frozenset(),
}
_OF_ALL = ("_id", "_lastUpdated", "identifier")  # the store holds these anyway, without a row
_CALLED = frozenset(("CodeableConcept", "Coding", "Identifier"))  # types whose values have a text beside the code
_PLAIN = frozenset(("_id",))  # it is always there, and is one
_NO_RANGE: Part = ("low", "=", 0.0)  # it follows the text in the index, and the rid follows it


@dataclass(frozen=True, slots=True)
class Asking:
    """What a search value is read against: this service's address, and when it was asked (for `ap`)."""

    base: str
    now: datetime


def sought_parameters(type_: str) -> tuple[str, ...]:
    """Return the names of all search parameters of a type that `criterion` answers."""
    unions = [one for one, parts in UNIONS.items() if type_ == "Observation" and one in searches(type_) and parts]
    own = [one for one in _OF_ALL if one in searches(type_)]
    return tuple(sorted({*indexed_parameters(type_), *unions, *own}))


def sought(type_: str, name: str, modifier: str, value: str, asking: Asking) -> Sought:
    """Return the criterion of one parameter of the type itself.

    Errors: NotSupportedError for a modifier that the parameter's type has not; BadParameterError for a value that is
            none of its type.
    """
    parameter = searches(type_)[name]
    params = UNIONS.get(name, (name,))
    led = modifier if parameter.type == "reference" and modifier in RESOURCE_TYPES else ""
    only = narrowed(type_).get(name)
    able = _modifiers(parameter)
    if modifier and not led and modifier not in able:
        raise NotSupportedError(
            f"{type_} is not searched by {name}:{modifier[:40]} here; {name} has the modifiers "
            f"{', '.join(sorted(able)) or 'none'}.",
            place=f"{name}:{modifier[:40]}",
        )
    if modifier == "missing":
        if value not in ("true", "false"):
            raise BadParameterError(f"{name}:missing is true or false; got {value[:20]!r}.", place=name)
        if only is not None:
            identified = f"{name}:identifier"
            there: Clause = (("param", "=", only.of), ("scope", "=", only.to))
            return Sought((only.of, identified), (there, (("param", "=", identified),)), none=value == "true")
        if parameter.type == "reference":
            params = (*params, f"{name}:identifier")
        return Sought(params, ((),), none=value == "true")
    if modifier == "of-type":
        return Sought((OF_TYPE,), tuple(_of_type(one) for one in alternatives(value)))
    if modifier == "text":
        begun = tuple(_begins(unescaped(one)) for one in alternatives(value))
        return Sought(tuple(f"{one}{TEXT}" for one in params), begun)
    if modifier == "identifier":
        return Sought((f"{name}:identifier",), tuple(_token(one, name) for one in alternatives(value)))
    if led and led not in parameter.targets:
        raise BadParameterError(f"{name} of {type_} never refers to a {led}.", place=name)
    each = [_clauses(parameter, parameter.type, one, modifier, asking) for one in alternatives(value)]
    clauses = tuple(chain.from_iterable(each))
    if only is not None:
        return Sought((only.of,), tuple(one for clause in clauses if (one := _only(clause, only.to))))
    if parameter.type == "quantity" and "|" not in value:
        params = tuple(f"{one}:number" for one in params)
    if parameter.type == "number" or params[0].endswith(":number"):
        clauses = tuple(each for clause in clauses for each in of_any_length((NO_TEXT, *clause), 0.0))
    return Sought(params, clauses, none=modifier == "not")


@cache
def _modifiers(parameter: SearchParameter) -> frozenset[str]:
    """Return the modifiers that are answered of a parameter, a type to narrow it to aside."""
    if parameter.code in _PLAIN:
        return frozenset()
    more = {"of-type"} if parameter.code == "identifier" else set[str]()
    if parameter.type == "token" and parameter.code not in UNTOLD:
        ends = ends_in(parameter)
        more |= {"text"} if not ends or ends & _CALLED else set()
    return MODIFIERS[parameter.type] | more


def _clauses(parameter: SearchParameter, type_: str, value: str, modifier: str, asking: Asking) -> list[Clause]:
    """Return what one alternative asks for: a row that meets any of these."""
    name = parameter.code
    match type_:
        case "composite":
            return _composite(parameter, value, asking)
        case "string":
            return [_STRING[modifier](unescaped(value))]
        case "reference":
            return [_reference(value, name, modifier, asking.base)]
        case "date":
            return dates(value, name, asking.now)
        case "number":
            return numbers(value, name)
        case "quantity":
            return quantities(value, name)
        case "uri":
            return [(("text", "=", cut(unescaped(value))), _NO_RANGE)]
        case _:
            return [_token(value, name, implied_systems(parameter))]


def _composite(parameter: SearchParameter, value: str, asking: Asking) -> list[Clause]:
    values, types = composed(value), component_types(parameter)
    if len(values) != len(types) or "" in values:
        raise BadParameterError(
            f"A search by {parameter.code} takes {' and '.join(types)} with a $ between; got {value[:40]!r}.",
            place=parameter.code,
        )
    each = [_clauses(parameter, type_, one, "", asking) for type_, one in zip(types, values, strict=True)]
    return [met_by_both(*pair) for pair in product(*each)]


def _token(value: str, name: str, implied: frozenset[str] = frozenset()) -> Clause:
    if name == "_id":
        return (("text", "=", unescaped(value)),)
    system, code = token(value)
    if not system and code is None:
        raise BadParameterError(f"A search by {name} needs a system or a value beside the bar.", place=name)
    if system in implied:
        system = ""  # a code of an element that names no system, since its value set does
    text, scope = (short, short) if name == "identifier" else (cut, brief)
    coded: Clause = (("text", "=", text(code)), _NO_RANGE) if code is not None else ()
    return coded if system is None else (*coded, ("scope", "=", scope(system)))


def _of_type(value: str) -> Clause:
    parts = [unescaped(one) for one in re.split(r"(?<!\\)\|", value)]
    if len(parts) != 3 or "" in parts[1:]:
        raise BadParameterError(
            f"A search by identifier:of-type takes system|code|value, the first two of the type; got {value[:40]!r}.",
            place="identifier",
        )
    return (("text", "=", cut(parts[2])), _NO_RANGE, ("scope", "=", kind(parts[0], parts[1])))


def _begins(value: str) -> Clause:
    """R4: equals or starts with the value; the end of the range is the last character there is."""
    folded = _folded(value)
    return (("text", ">=", folded), ("text", "<", folded + "\U0010ffff"))


def _exact(value: str) -> Clause:
    return (("text", "=", fold(value)), _NO_RANGE, ("scope", "=", cut(value)))


def _contains(value: str) -> Clause:
    return (("text", "holds", _folded(value)),)


def _folded(value: str) -> str:
    """Return a text as texts are compared.

    Errors: BadParameterError if nothing is left of it, since every text begins with nothing.
    """
    folded = fold(value)
    if not folded:
        raise BadParameterError(f"A search by a text needs a letter to begin with; got {value[:20]!r}.")
    return folded


_STRING: Mapping[str, Callable[[str], Clause]] = {"": _begins, "exact": _exact, "contains": _contains}


def _only(clause: Clause, to: str) -> Clause:
    """Return the clause of a reference as asked of what refers to one type; nothing if it names another."""
    if any(column == "scope" and value not in ("", to) for column, _, value in clause):
        return ()
    return (*[part for part in clause if part[0] != "scope"], ("scope", "=", to))


def referring(type_: str, params: Iterable[str], keys: Iterable[Key]) -> Sought:
    """Return the criterion for resources of a type that refer by any of its parameters to any of these (type, id)."""
    names = dict.fromkeys(params)
    to = {one.to for name, one in narrowed(type_).items() if name in names}
    wide = any(name not in narrowed(type_) for name in names)
    clauses: list[Clause] = [
        (("text", "=", id_), _NO_RANGE, ("scope", "=", kind)) for kind, id_ in keys if wide or kind in to
    ]
    return Sought(tuple(dict.fromkeys(rows_of(type_, name) for name in names)), tuple(clauses))


def _reference(value: str, name: str, led: str, base: str) -> Clause:
    plain = unescaped(value).removeprefix(f"{base}/") if base else unescaped(value)
    id_, type_ = target(plain)
    if type_ or ":" in plain:
        if led and type_ and led != type_:
            raise BadParameterError(f"{name}:{led} takes a {led}; got a {type_}.", place=name)
        # what an address is of stands in its row only where another parameter is asked by it; the address says it all
        return (("text", "=", id_), _NO_RANGE, *((("scope", "=", type_),) if type_ else ()))
    if "/" in plain:
        raise BadParameterError(
            f"A search by {name} takes an id, a type with an id, or an address; got neither.", place=name
        )
    found: Clause = (("text", "=", plain), _NO_RANGE)
    return (*found, ("scope", "=", led)) if led else (*found, ("scope", ">", ""))
