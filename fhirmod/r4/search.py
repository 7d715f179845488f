"""Search values: what a store indexes of a resource for each R4 search parameter, by the parameter's type.

Source: http://hl7.org/fhir/R4/search.html
"""

import re
from collections.abc import Callable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from functools import cache
from typing import Any

from .dates import span
from .facts import concrete_types, facts
from .indexed import (
    CompositeValue,
    DateValue,
    NumberValue,
    QuantityValue,
    ReferenceValue,
    SearchValue,
    StringValue,
    TokenValue,
    UriValue,
)
from .invariants.logic import each
from .paths import Node, OutsideError, Path, compile_below, compile_path, type_in

_FILTER = re.compile(r"\.where\([a-z][A-Za-z]*\s*=[^)]*\)")
_POINT = timedelta(microseconds=1)  # no width: R4 has an instant smaller than what a system can tell apart


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """One R4 search parameter as it applies to one resource type."""

    code: str
    type: str
    url: str
    resource: str
    expression: str
    targets: frozenset[str]
    components: tuple[tuple[str, str], ...] = ()


@cache
def search_parameters(resource: str) -> Mapping[str, SearchParameter]:
    """Return the R4 search parameters of a resource type by code, those of every resource included."""
    found: dict[str, SearchParameter] = {}
    for raw in facts()["search"]:
        if resource in raw["base"] or {"Resource", "DomainResource"} & set(raw["base"]):
            one = SearchParameter(
                code=raw["code"],
                type=raw["type"],
                url=raw["url"],
                resource=resource,
                expression=raw.get("expression", ""),
                targets=frozenset(raw.get("target", ())),
                components=tuple((c["definition"], c["expression"]) for c in raw.get("component", ())),
            )
            found[one.code] = one
    return found


def search_parameter(resource: str, code: str) -> SearchParameter | None:
    """Return one search parameter of a resource type, or None if R4 has none of that code."""
    return search_parameters(resource).get(code)


def search_values(resource: dict[str, Any], code: str) -> list[SearchValue]:
    """Return what the search parameter `code` indexes of a resource; empty if it has nothing there.

    Errors: KeyError if R4 has no such parameter for the type. Parameters without an expression
            (_text, _content, _query, _filter) and `special` ones index nothing.
    """
    parameter = search_parameters(str(resource.get("resourceType", "")))[code]
    return values_of(parameter, resource)


def values_of(parameter: SearchParameter, resource: dict[str, Any]) -> list[SearchValue]:
    """Return what one parameter indexes of a resource, each value once, in document order."""
    if not parameter.expression or parameter.type == "special":
        return []
    if parameter.expression in _BY_HAND:
        return _BY_HAND[parameter.expression](resource)
    nodes = _path(parameter).values(resource)
    if parameter.type == "composite":
        return list(_composites(parameter, nodes, resource))
    read = _READERS[parameter.type]
    return list(dict.fromkeys(value for node in nodes for value in read(node)))


def reached(parameter: SearchParameter, keys: AbstractSet[str]) -> AbstractSet[str]:
    """Return those properties of a resource that alone decide what a parameter indexes of it; none if that is nothing.

    Shape: beside them only the type, and where a reference leads inside, `contained`.
    """
    if parameter.type == "composite" and parameter.expression == parameter.resource:
        parts = [compile_below(parameter.resource, one).begins(keys) for _, one in parameter.components]
        return frozenset().union(*parts) if all(parts) else frozenset()
    return keys if parameter.expression in _BY_HAND else _path(parameter).begins(keys)


@cache
def ends_in(parameter: SearchParameter) -> frozenset[str]:
    """Return the types of what a parameter finds; none where its path does not tell."""
    if parameter.expression in _BY_HAND:
        return frozenset(("boolean",))
    unfiltered = _FILTER.sub("", parameter.expression)
    chains = [branch.chains for branch in compile_path(parameter.resource, unfiltered).branches] if unfiltered else []
    return frozenset() if None in chains else frozenset(one.type for some in chains for one in some or ())


@cache
def component_types(parameter: SearchParameter) -> tuple[str, ...]:
    """Return the types of what a composite parameter is composed of, in the order of its values."""
    return tuple(_types()[url] for url, _ in parameter.components)


def _path(parameter: SearchParameter) -> Path:
    return compile_path(parameter.resource, parameter.expression)


def _composites(parameter: SearchParameter, nodes: list[Node], resource: dict[str, Any]) -> Iterator[CompositeValue]:
    readers = [_READERS[one] for one in component_types(parameter)]
    for node in nodes:
        if not isinstance(node.value, dict):
            continue
        paths = [compile_below(node.type, expression) for _, expression in parameter.components]
        if all(path.begins(node.value.keys()) for path in paths):
            parts = tuple(
                tuple(value for one in path.values(resource, node) for value in read(one))
                for path, read in zip(paths, readers, strict=True)
            )
            if all(parts):
                yield CompositeValue(parts)


@cache
def _types() -> Mapping[str, str]:
    return {one["url"]: one["type"] for one in facts()["search"]}


def _deceased(resource: dict[str, Any]) -> list[SearchValue]:
    """`Patient.deceased.exists() and Patient.deceased != false`: the one expression that is a verdict."""
    flag = resource.get("deceasedBoolean")
    dead = flag is True or isinstance(resource.get("deceasedDateTime"), str)
    return [TokenValue(None, "true" if dead else "false")]


_BY_HAND: Mapping[str, Callable[[dict[str, Any]], list[SearchValue]]] = {
    "Patient.deceased.exists() and Patient.deceased != false": _deceased
}


def outside() -> dict[str, str]:
    """Return the R4 search parameters compiled paths do not answer, with how they are answered instead."""
    found = {}
    for raw in facts()["search"]:
        expression = raw.get("expression", "")
        if not expression:
            found[raw["url"]] = "no expression: a query over text, answered by the store or refused"
        elif expression in _BY_HAND:
            found[raw["url"]] = "a verdict, not a path: answered by a function of its own"
        elif raw["type"] == "special":
            found[raw["url"]] = "special: position search, not indexed"
        else:
            for base in concrete_types() & set(raw["base"]):
                try:
                    compile_path(base, expression)
                except OutsideError as error:
                    found[raw["url"]] = str(error)
    return found


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def _coding(value: Any) -> TokenValue:
    return TokenValue(_text(value.get("system")), _text(value.get("code")), _text(value.get("display")))


def _token(node: Node) -> Iterator[SearchValue]:
    value = node.value
    if isinstance(value, bool):
        yield TokenValue(None, "true" if value else "false")
    elif isinstance(value, str):
        yield TokenValue(None, value)
    elif not isinstance(value, dict):
        return
    elif node.type == "CodeableConcept":
        text = _text(value.get("text"))
        for one in _dicts(value.get("coding")):
            coding = _coding(one)
            yield TokenValue(coding.system, coding.code, coding.text or text)
        if text is not None:
            yield TokenValue(None, None, text)
    elif node.type == "Coding":
        yield _coding(value)
    elif node.type == "Identifier":
        yield _identifier(value)
    elif node.type == "ContactPoint":
        yield TokenValue(_text(value.get("system")), _text(value.get("value")))


def _identifier(value: dict[str, Any]) -> TokenValue:
    kind = value.get("type")
    codings = [_coding(one) for one in _dicts(kind.get("coding"))] if isinstance(kind, dict) else []
    return TokenValue(
        _text(value.get("system")),
        _text(value.get("value")),
        _text(kind.get("text")) if isinstance(kind, dict) else None,
        tuple((one.system, one.code) for one in codings),
    )


def _dicts(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []


def _reference(node: Node) -> Iterator[SearchValue]:
    value = node.value
    if isinstance(value, str):  # canonical and uri parameters of type reference
        yield ReferenceValue(value, type_in(value))
    elif isinstance(value, dict) and node.type == "Reference":
        text = _text(value.get("reference"))
        identifier = value.get("identifier")
        logical = _identifier(identifier) if isinstance(identifier, dict) else None
        if text is not None or logical is not None:
            kind = type_in(text or "") or (_text(value.get("type")) or "")
            yield ReferenceValue(text, kind, logical)
    elif isinstance(value, dict) and isinstance(value.get("resourceType"), str):
        # Bundle.entry[0].resource: the index holds what the first entry is.
        identity = _text(value.get("id"))
        yield ReferenceValue(f"{value['resourceType']}/{identity}" if identity else None, value["resourceType"])


_PARTS: Mapping[str, tuple[str, ...]] = {
    "HumanName": ("text", "family", "given", "prefix", "suffix"),
    "Address": ("text", "line", "city", "district", "state", "postalCode", "country"),
    "CodeableConcept": ("text",),
    "Annotation": ("text",),
}


def _string(node: Node) -> Iterator[SearchValue]:
    value = node.value
    if isinstance(value, str):
        yield StringValue(value)
    elif isinstance(value, dict):
        for name in _PARTS.get(node.type, ()):
            part = value.get(name)
            for one in part if isinstance(part, list) else [part]:
                if isinstance(one, str):
                    yield StringValue(one)
        if node.type == "CodeableConcept":
            for one in _dicts(value.get("coding")):
                if isinstance(one.get("display"), str):
                    yield StringValue(one["display"])


def _date(node: Node) -> Iterator[SearchValue]:
    """Yield the range that a date covers, one at most: of a Timing its outer limits, of an instant next to nothing.

    Source: http://hl7.org/fhir/R4/search.html#date
    """
    value = node.value
    if isinstance(value, str):
        if (covered := span(value)) is not None:
            yield DateValue(covered[0], covered[0] + _POINT if node.type == "instant" else covered[1])
    elif not isinstance(value, dict):
        return
    elif node.type == "Period":
        low, high = span(value.get("start")), span(value.get("end"))
        if low or high:
            yield DateValue(low[0] if low else None, high[1] if high else None)
    elif node.type == "Timing":
        limits = [DateValue(*one) for text in each(value, "event") if (one := span(text)) is not None]
        repeat = value.get("repeat")
        bounds = repeat.get("boundsPeriod") if isinstance(repeat, dict) else None
        if isinstance(bounds, dict):
            limits += [one for one in _date(Node("Period", bounds, node.place)) if isinstance(one, DateValue)]
        if limits:
            lows, highs = [one.low for one in limits], [one.high for one in limits]
            yield DateValue(
                None if None in lows else min(low for low in lows if low is not None),
                None if None in highs else max(high for high in highs if high is not None),
            )


def _number(value: Any) -> Decimal | None:
    return Decimal(value) if isinstance(value, int | Decimal) and not isinstance(value, bool) else None


def _quantity(node: Node) -> Iterator[SearchValue]:
    value = node.value
    if not isinstance(value, dict):
        return
    if node.type == "Range":
        low, high = value.get("low") or {}, value.get("high") or {}
        unit = low if isinstance(low, dict) and low else high
        if isinstance(low, dict) and isinstance(high, dict):
            yield _measured(_number(low.get("value")), _number(high.get("value")), unit)
    elif node.type == "Money":
        amount = _number(value.get("value"))
        if amount is not None:
            yield QuantityValue(amount, amount, "urn:iso:std:iso:4217", _text(value.get("currency")))
    elif node.type == "SampledData":
        origin = value.get("origin")
        low_, high_ = _number(value.get("lowerLimit")), _number(value.get("upperLimit"))
        if isinstance(origin, dict) and (low_ is not None or high_ is not None):
            yield _measured(low_, high_, origin)
    else:
        amount = _number(value.get("value"))
        if amount is not None:
            comparator = value.get("comparator", "")
            yield _measured(
                None if comparator in ("<", "<=") else amount,
                None if comparator in (">", ">=") else amount,
                value,
            )


def _measured(low: Decimal | None, high: Decimal | None, unit: dict[str, Any]) -> QuantityValue:
    return QuantityValue(low, high, _text(unit.get("system")), _text(unit.get("code")), _text(unit.get("unit")))


def _numbers(node: Node) -> Iterator[SearchValue]:
    amount = _number(node.value)
    if amount is not None:
        yield NumberValue(amount, amount)
    elif node.type == "Range" and isinstance(node.value, dict):
        for one in _quantity(node):
            if isinstance(one, QuantityValue):
                yield NumberValue(one.low, one.high)


def _uri(node: Node) -> Iterator[SearchValue]:
    if isinstance(node.value, str):
        yield UriValue(node.value)


_READERS: Mapping[str, Callable[[Node], Iterator[SearchValue]]] = {
    "token": _token,
    "reference": _reference,
    "string": _string,
    "date": _date,
    "quantity": _quantity,
    "number": _numbers,
    "uri": _uri,
}
