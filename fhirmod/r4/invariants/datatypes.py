# ruff: noqa: E501 - FHIRPath stands as HL7 published it
"""The invariants of R4's datatypes and of every resource, each beside its FHIRPath."""

from typing import Any

from fhirmod.r4.dates import surely_after

from .logic import (
    UCUM,
    Row,
    Scope,
    Truth,
    at_least,
    both,
    choice,
    each,
    either,
    has,
    implies,
    lacks,
    negated,
    number,
    quantity_order,
    same,
    strings,
)


def _contained(node: Any, *names: str) -> bool:
    return any(has(one, names[-1]) for one in each(node, "contained", *names[:-1]) if isinstance(one, dict))


def _contained_is_used(node: Any, _scope: Scope) -> Truth:
    inside = [one for one in each(node, "contained") if isinstance(one, dict)]
    if not inside:
        return True
    used = {text for text in strings(node) if text.startswith("#")}
    return all("#" + str(one["id"]) in used or "#" in set(strings(one)) for one in inside if "id" in one)


def _local_reference(node: Any, scope: Scope) -> Truth:
    reference = node.get("reference")
    if not isinstance(reference, str) or not reference.startswith("#") or reference == "#":
        return True
    return reference[1:] in [one.get("id") for one in each(scope.root, "contained") if isinstance(one, dict)]


def _period(node: Any, _scope: Scope) -> Truth:
    start, end = node.get("start"), node.get("end")
    if not isinstance(start, str) or not isinstance(end, str):
        return True
    return not surely_after(start, end)


def _quantity_in(node: Any, system: str) -> Truth:
    """`(code.exists() or value.empty()) and (system.empty() or system = S)`."""
    return both(has(node, "code") or lacks(node, "value"), lacks(node, "system") or same(node.get("system"), system))


def _age(node: Any, _scope: Scope) -> Truth:
    value = number(node.get("value"))
    return both(_quantity_in(node, UCUM), value is None or value > 0)


def _count(node: Any, _scope: Scope) -> Truth:
    code_is_one = lacks(node, "code") or same(node.get("code"), "1")
    return both(_quantity_in(node, UCUM), code_is_one, "." not in str(node.get("value", "")))


def _duration(node: Any, _scope: Scope) -> Truth:
    return implies(has(node, "code"), both(same(node.get("system"), UCUM), has(node, "value")))


def _ratio(node: Any, _scope: Scope) -> Truth:
    numerator = has(node, "numerator")
    return numerator == has(node, "denominator") and (numerator or has(node, "extension"))


def _offset(node: Any, _scope: Scope) -> Truth:
    when = list(each(node, "when"))
    return lacks(node, "offset") or (has(node, "when") and not {"C", "CM", "CD", "CV"} & set(when))


def _trigger(node: Any, _scope: Scope) -> Truth:
    kind = node.get("type")
    return both(
        implies(same(kind, "named-event"), has(node, "name")),
        implies(same(kind, "periodic"), choice(node, "timing")),
        implies(kind.startswith("data-") if isinstance(kind, str) else None, has(node, "data")),
    )


ROWS: tuple[Row, ...] = (
    ("dom-2", "contained.contained.empty()", lambda n, _: not _contained(n, "contained")),
    (
        "dom-3",
        (
            "contained.where((('#'+id in (%resource.descendants().reference | %resource.descendants().as(canonical) | "
            "%resource.descendants().as(uri) | %resource.descendants().as(url))) or descendants().where(reference = '#')"
            ".exists() or descendants().where(as(canonical) = '#').exists() or descendants().where(as(canonical) = '#')"
            ".exists()).not()).trace('unmatched', id).empty()"
        ),
        _contained_is_used,
    ),
    (
        "dom-4",
        "contained.meta.versionId.empty() and contained.meta.lastUpdated.empty()",
        lambda n, _: not _contained(n, "meta", "versionId") and not _contained(n, "meta", "lastUpdated"),
    ),
    ("dom-5", "contained.meta.security.empty()", lambda n, _: not _contained(n, "meta", "security")),
    ("dom-6", "text.`div`.exists()", lambda n, _: isinstance(n.get("text"), dict) and has(n["text"], "div")),
    (
        "ele-1",
        "hasValue() or (children().count() > id.count())",
        lambda n, _: not isinstance(n, dict) or any(key != "id" for key in n),
    ),
    ("ext-1", "extension.exists() != value.exists()", lambda n, _: has(n, "extension") != choice(n, "value")),
    (
        "ref-1",
        (
            "reference.startsWith('#').not() or (reference.substring(1).trace('url') in "
            "%rootResource.contained.id.trace('ids'))"
        ),
        _local_reference,
    ),
    ("per-1", "start.hasValue().not() or end.hasValue().not() or (start <= end)", _period),
    (
        "age-1",
        (
            "(code.exists() or value.empty()) and (system.empty() or system = %ucum) and "
            "(value.empty() or value.hasValue().not() or value > 0)"
        ),
        _age,
    ),
    (
        "cnt-3",
        (
            "(code.exists() or value.empty()) and (system.empty() or system = %ucum) and (code.empty() or code = '1') "
            "and (value.empty() or value.hasValue().not() or value.toString().contains('.').not())"
        ),
        _count,
    ),
    (
        "dis-1",
        "(code.exists() or value.empty()) and (system.empty() or system = %ucum)",
        lambda n, _: _quantity_in(n, UCUM),
    ),
    ("drt-1", "code.exists() implies ((system = %ucum) and value.exists())", _duration),
    (
        "mqty-1",
        "(code.exists() or value.empty()) and (system.empty() or system = 'urn:iso:std:iso:4217')",
        lambda n, _: _quantity_in(n, "urn:iso:std:iso:4217"),
    ),
    ("qty-3", "code.empty() or system.exists()", lambda n, _: lacks(n, "code") or has(n, "system")),
    ("sqty-1", "comparator.empty()", lambda n, _: lacks(n, "comparator")),
    (
        "rng-2",
        "low.empty() or high.empty() or (low <= high)",
        lambda n, _: lacks(n, "low") or lacks(n, "high") or quantity_order(n["low"], n["high"]),
    ),
    (
        "rat-1",
        "(numerator.empty() xor denominator.exists()) and (numerator.exists() or extension.exists())",
        _ratio,
    ),
    ("att-1", "data.empty() or contentType.exists()", lambda n, _: lacks(n, "data") or has(n, "contentType")),
    ("cpt-2", "value.empty() or system.exists()", lambda n, _: lacks(n, "value") or has(n, "system")),
    ("exp-1", "expression.exists() or reference.exists()", lambda n, _: has(n, "expression", "reference")),
    (
        "drq-1",  # drq-2 has the same text
        "path.exists() xor searchParam.exists()",
        lambda n, _: has(n, "path") != has(n, "searchParam"),
    ),
    ("trd-1", "data.empty() or timing.empty()", lambda n, _: lacks(n, "data") or not choice(n, "timing")),
    (
        "trd-2",
        "condition.exists() implies data.exists()",
        lambda n, _: lacks(n, "condition") or has(n, "data"),
    ),
    (
        "trd-3",
        (
            "(type = 'named-event' implies name.exists()) and (type = 'periodic' implies timing.exists()) and "
            "(type.startsWith('data-') implies data.exists())"
        ),
        _trigger,
    ),
    (
        "tim-1",
        "duration.empty() or durationUnit.exists()",
        lambda n, _: lacks(n, "duration") or has(n, "durationUnit"),
    ),
    (
        "tim-2",
        "period.empty() or periodUnit.exists()",
        lambda n, _: lacks(n, "period") or has(n, "periodUnit"),
    ),
    ("tim-4", "duration.exists() implies duration >= 0", lambda n, _: at_least(n.get("duration"), 0)),
    ("tim-5", "period.exists() implies period >= 0", lambda n, _: at_least(n.get("period"), 0)),
    ("tim-6", "periodMax.empty() or period.exists()", lambda n, _: lacks(n, "periodMax") or has(n, "period")),
    (
        "tim-7",
        "durationMax.empty() or duration.exists()",
        lambda n, _: lacks(n, "durationMax") or has(n, "duration"),
    ),
    ("tim-8", "countMax.empty() or count.exists()", lambda n, _: lacks(n, "countMax") or has(n, "count")),
    (
        "tim-9",
        "offset.empty() or (when.exists() and ((when in ('C' | 'CM' | 'CD' | 'CV')).not()))",
        _offset,
    ),
    ("tim-10", "timeOfDay.empty() or when.empty()", lambda n, _: lacks(n, "timeOfDay") or lacks(n, "when")),
    (
        "eld-1",
        "discriminator.exists() or description.exists()",
        lambda n, _: has(n, "discriminator", "description"),
    ),
    (
        "inv-1",
        (
            "(part.exists() and value.empty() and resource.empty()) or (part.empty() and "
            "(value.exists() xor resource.exists()))"
        ),
        lambda n, _: (
            not choice(n, "value") and lacks(n, "resource")
            if has(n, "part")
            else choice(n, "value") != has(n, "resource")
        ),
    ),
    (
        "vs-1",
        "($this as dateTime).toString().length() >= 8",
        lambda n, _: not isinstance(n, str) or len(n) >= 8,
    ),
    (
        "vs-2",
        "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())",
        lambda n, _: has(n, "component", "hasMember", "dataAbsentReason") or choice(n, "value"),
    ),
    (
        "vs-3",
        "value.exists() or dataAbsentReason.exists()",
        lambda n, _: choice(n, "value") or has(n, "dataAbsentReason"),
    ),
    (
        "bdl-1",
        "total.empty() or (type = 'searchset') or (type = 'history')",
        lambda n, _: either(lacks(n, "total"), same(n.get("type"), "searchset"), same(n.get("type"), "history")),
    ),
    (
        "bdl-2",
        "entry.search.empty() or (type = 'searchset')",
        lambda n, _: either(not any(has(e, "search") for e in each(n, "entry")), same(n.get("type"), "searchset")),
    ),
    (
        "bdl-3",
        (
            "entry.all(request.exists() = (%resource.type = 'batch' or %resource.type = 'transaction' or "
            "%resource.type = 'history'))"
        ),
        lambda n, _: (
            lacks(n, "type")
            or all(has(e, "request") == (n["type"] in ("batch", "transaction", "history")) for e in each(n, "entry"))
        ),
    ),
    (
        "bdl-4",
        (
            "entry.all(response.exists() = (%resource.type = 'batch-response' or %resource.type = "
            "'transaction-response' or %resource.type = 'history'))"
        ),
        lambda n, _: (
            lacks(n, "type")
            or all(
                has(e, "response") == (n["type"] in ("batch-response", "transaction-response", "history"))
                for e in each(n, "entry")
            )
        ),
    ),
    (
        "bdl-5",
        "resource.exists() or request.exists() or response.exists()",
        lambda n, _: has(n, "resource", "request", "response"),
    ),
    (
        "bdl-7",
        "(type = 'history') or entry.where(fullUrl.exists()).select(fullUrl&resource.meta.versionId).isDistinct()",
        lambda n, _: either(
            same(n.get("type"), "history"),
            _apart([_address(e) for e in each(n, "entry") if "fullUrl" in e or "_fullUrl" in e]),
        ),
    ),
    (
        "bdl-8",
        "fullUrl.contains('/_history/').not()",
        lambda n, _: negated("/_history/" in n["fullUrl"] if isinstance(n.get("fullUrl"), str) else None),
    ),
    (
        "bdl-9",
        "type = 'document' implies (identifier.system.exists() and identifier.value.exists())",
        lambda n, _: implies(
            same(n.get("type"), "document"),
            isinstance(n.get("identifier"), dict) and has(n["identifier"], "system") and has(n["identifier"], "value"),
        ),
    ),
    (
        "bdl-10",
        "type = 'document' implies (timestamp.hasValue())",
        lambda n, _: implies(same(n.get("type"), "document"), n.get("timestamp") is not None),
    ),
    (
        "bdl-11",
        "type = 'document' implies entry.first().resource.is(Composition)",
        lambda n, _: n.get("type") != "document" or _first_is(n, "Composition"),
    ),
    (
        "bdl-12",
        "type = 'message' implies entry.first().resource.is(MessageHeader)",
        lambda n, _: n.get("type") != "message" or _first_is(n, "MessageHeader"),
    ),
)


def _apart(addresses: list[str]) -> bool:
    return len(addresses) == len(set(addresses))


def _address(entry: Any) -> str:
    """Return an entry's fullUrl with the version of its resource."""
    resource = entry.get("resource")
    meta = resource.get("meta") if isinstance(resource, dict) else None
    version = meta.get("versionId", "") if isinstance(meta, dict) else ""
    return f"{entry.get('fullUrl', '')}{version}"


def _first_is(node: Any, kind: str) -> Truth:
    entry = next(iter(each(node, "entry")), None)
    resource = entry.get("resource") if isinstance(entry, dict) else None
    return isinstance(resource, dict) and resource.get("resourceType") == kind
