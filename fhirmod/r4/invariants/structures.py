# ruff: noqa: E501 - FHIRPath stands as HL7 published it
"""The invariants of what defines structures: StructureDefinition and ElementDefinition."""

import re
from typing import Any

from .logic import Row, Scope, Truth, both, choice, distinct, each, either, has, implies, lacks, matches, same, unlike

_SLICE_NAME = re.compile(r"[a-zA-Z0-9/\-_\[\]@]+")
_PART = r"""[^\s.,:;'"/|?!@#$%&*()\[\]{}]{1,64}"""
_PATH = re.compile(rf"{_PART}(\.{_PART}(\[x\])?(:[^\s.]+)?)*")
_TIDY_PATH = re.compile(r"[A-Za-z][A-Za-z0-9]*(\.[a-z][A-Za-z0-9]*(\[x\])?)*")
_TYPE_CODE = re.compile(r"[a-zA-Z0-9]+|http://hl7\.org/fhirpath/System\.[A-Z][A-Za-z]+")
_SNAPSHOT_TYPE_CODE = re.compile(r"[a-zA-Z0-9.]+|http://hl7\.org/fhirpath/System\.[A-Z][A-Za-z]+")
_INTEGER = re.compile(r"[+-]?[0-9]{1,10}")
_HL7 = "http://hl7.org/fhir/StructureDefinition"


def _elements(node: Any, view: str) -> list[Any]:
    return [one for one in each(node, view, "element") if isinstance(one, dict)]


def _first_path(elements: list[Any]) -> Any:
    return elements[0].get("path") if elements else None


def _dotted(element: Any) -> bool:
    return isinstance(element.get("path"), str) and "." in element["path"]


def _rooted(element: Any) -> bool:
    return isinstance(element.get("path"), str) and "." not in element["path"]


def _under(elements: list[Any], first: Any) -> bool:
    return all(str(one.get("path", "")).startswith(f"{first}.") for one in elements[1:])


def _snapshot_paths(node: Any, scope: Scope) -> Truth:
    elements = [one for one in each(node, "element") if isinstance(one, dict)]
    start = _first_path(elements)
    named = either(
        same(scope.resource.get("kind"), "logical"),
        None if start is None else same(scope.resource.get("type"), start),
    )
    return both(named, _under(elements, start))


def _differential_paths(node: Any, scope: Scope) -> Truth:
    elements = [one for one in each(node, "element") if isinstance(one, dict)]
    start, kind = _first_path(elements), scope.resource.get("type")
    begins = start.startswith(kind) if isinstance(start, str) and isinstance(kind, str) else None
    head = start.partition(".")[0] if isinstance(start, str) else start
    return both(either(same(scope.resource.get("kind"), "logical"), begins), _under(elements, head))


def _typed_codes(node: Any, _scope: Scope) -> Truth:
    if not isinstance(node.get("url"), str) or not node["url"].startswith(_HL7):
        return True
    differential = [matches(c, _TYPE_CODE) for c in each(node, "differential", "element", "type", "code")]
    snapshot = [matches(c, _SNAPSHOT_TYPE_CODE) for c in each(node, "snapshot", "element", "type", "code")]
    return all(differential) and all(snapshot)


def _ids(node: Any, view: str) -> bool:
    elements = _elements(node, view)
    return all("id" in one for one in elements) and distinct(one["id"] for one in elements)


def _root_is_bare(node: Any, _scope: Scope) -> Truth:
    roots = [one for view in ("snapshot", "differential") for one in _elements(node, view) if _rooted(one)]
    return not any(has(one, "label", "code", "requirements") for one in roots)


def _no_fixed_part(node: Any, _scope: Scope) -> Truth:
    if lacks(node, "contentReference"):
        return True
    choices = ("defaultValue", "fixed", "pattern", "minValue", "maxValue")
    return lacks(node, "type", "example", "maxLength", "binding") and not any(choice(node, c) for c in choices)


def _min_to_max(node: Any, _scope: Scope) -> Truth:
    low, high = node.get("min"), node.get("max")
    if not isinstance(low, int) or not isinstance(high, str) or not _INTEGER.fullmatch(high):
        return None
    return low <= int(high)


def _maximum(node: Any, _scope: Scope) -> Truth:
    whole = _INTEGER.fullmatch(node) if isinstance(node, str) else None
    return node == "*" or (None if whole is None else int(whole[0]) >= 0)


def _first_is_root(node: Any) -> Truth:
    elements = _elements(node, "differential")
    return None if _first_path(elements) is None else not _dotted(elements[0])


ROWS: tuple[Row, ...] = (
    (
        "eld-2",
        "min.empty() or max.empty() or (max = '*') or iif(max != '*', min <= max.toInteger())",
        _min_to_max,
    ),
    ("eld-3", "empty() or ($this = '*') or (toInteger() >= 0)", _maximum),
    (
        "eld-4",
        "aggregation.empty() or (code = 'Reference') or (code = 'canonical')",
        lambda n, _: either(
            lacks(n, "aggregation"), same(n.get("code"), "Reference"), same(n.get("code"), "canonical")
        ),
    ),
    (
        "eld-5",
        (
            "contentReference.empty() or (type.empty() and defaultValue.empty() and fixed.empty() and pattern.empty() and "
            "example.empty() and minValue.empty() and maxValue.empty() and maxLength.empty() and binding.empty())"
        ),
        _no_fixed_part,
    ),
    (
        "eld-6",
        "fixed.empty() or (type.count()  <= 1)",
        lambda n, _: not choice(n, "fixed") or len(list(each(n, "type"))) <= 1,
    ),
    (
        "eld-7",
        "pattern.empty() or (type.count() <= 1)",
        lambda n, _: not choice(n, "pattern") or len(list(each(n, "type"))) <= 1,
    ),
    (
        "eld-8",
        "pattern.empty() or fixed.empty()",
        lambda n, _: not choice(n, "pattern") or not choice(n, "fixed"),
    ),
    (
        # As R4 writes it, `select` yields one truth per type and `exists` asks only whether there are any:
        # it holds for every element with a type and cannot fail.
        "eld-11",
        (
            "binding.empty() or type.code.empty() or type.select((code = 'code') or (code = 'Coding') or "
            "(code='CodeableConcept') or (code = 'Quantity') or (code = 'string') or (code = 'uri')).exists()"
        ),
        lambda _n, _s: True,
    ),
    (
        "eld-12",
        (
            "valueSet.exists() implies (valueSet.startsWith('http:') or valueSet.startsWith('https') or "
            "valueSet.startsWith('urn:'))"
        ),
        lambda n, _: not isinstance(n.get("valueSet"), str) or n["valueSet"].startswith(("http:", "https", "urn:")),
    ),
    ("eld-13", "type.select(code).isDistinct()", lambda n, _: distinct(each(n, "type", "code"))),
    ("eld-14", "constraint.select(key).isDistinct()", lambda n, _: distinct(each(n, "constraint", "key"))),
    (
        "eld-15",
        "defaultValue.empty() or meaningWhenMissing.empty()",
        lambda n, _: not choice(n, "defaultValue") or lacks(n, "meaningWhenMissing"),
    ),
    (
        "eld-16",
        r"sliceName.empty() or sliceName.matches('^[a-zA-Z0-9\\/\\-_\\[\\]\\@]+$')",
        lambda n, _: matches(n.get("sliceName"), _SLICE_NAME),
    ),
    (
        "eld-17",
        "(code='Reference' or code = 'canonical') or targetProfile.empty()",
        lambda n, _: either(
            same(n.get("code"), "Reference"), same(n.get("code"), "canonical"), lacks(n, "targetProfile")
        ),
    ),
    (
        "eld-18",
        "(isModifier.exists() and isModifier) implies isModifierReason.exists()",
        lambda n, _: n.get("isModifier") is not True or has(n, "isModifierReason"),
    ),
    (
        "eld-19",
        (
            "path.matches('[^\\\\s\\\\.,:;\\\\\\'\"\\\\/|?!@#$%&*()\\\\[\\\\]{}]{1,64}(\\\\.[^\\\\s\\\\.,:;\\\\\\'\"\\\\/"
            "|?!@#$%&*()\\\\[\\\\]{}]{1,64}(\\\\[x\\\\])?(\\\\:[^\\\\s\\\\.]+)?)*')"
        ),
        lambda n, _: matches(n.get("path"), _PATH),
    ),
    (
        "eld-20",
        r"path.matches('[A-Za-z][A-Za-z0-9]*(\\.[a-z][A-Za-z0-9]*(\\[x])?)*')",
        lambda n, _: matches(n.get("path"), _TIDY_PATH),
    ),
    ("eld-21", "expression.exists()", lambda n, _: has(n, "expression")),
    (
        "eld-22",
        "sliceIsConstraining.exists() implies sliceName.exists()",
        lambda n, _: lacks(n, "sliceIsConstraining") or has(n, "sliceName"),
    ),
    (
        "sdf-1",
        "derivation = 'constraint' or snapshot.element.select(path).isDistinct()",
        lambda n, _: either(same(n.get("derivation"), "constraint"), distinct(each(n, "snapshot", "element", "path"))),
    ),
    ("sdf-2", "name.exists() or uri.exists()", lambda n, _: has(n, "name", "uri")),
    (
        "sdf-3",
        "element.all(definition.exists() and min.exists() and max.exists())",
        lambda n, _: all(has(e, "definition") and has(e, "min") and has(e, "max") for e in each(n, "element")),
    ),
    (
        "sdf-4",
        "abstract = true or baseDefinition.exists()",
        lambda n, _: either(same(n.get("abstract"), True), has(n, "baseDefinition")),
    ),
    (
        "sdf-5",
        "type != 'Extension' or derivation = 'specialization' or (context.exists())",
        lambda n, _: either(
            unlike(n.get("type"), "Extension"),
            same(n.get("derivation"), "specialization"),
            has(n, "context"),
        ),
    ),
    ("sdf-6", "snapshot.exists() or differential.exists()", lambda n, _: has(n, "snapshot", "differential")),
    (
        "sdf-8",
        (
            "(%resource.kind = 'logical' or element.first().path = %resource.type) and "
            "element.tail().all(path.startsWith(%resource.snapshot.element.first().path&'.'))"
        ),
        _snapshot_paths,
    ),
    (
        "sdf-8a",
        (
            "(%resource.kind = 'logical' or element.first().path.startsWith(%resource.type)) and (element.tail().empty() "
            "or element.tail().all(path.startsWith(%resource.differential.element.first().path.replaceMatches"
            r"('\\..*','')&'.')))"
        ),
        _differential_paths,
    ),
    ("sdf-8b", "element.all(base.exists())", lambda n, _: all(has(e, "base") for e in each(n, "element"))),
    (
        "sdf-9",
        (
            "children().element.where(path.contains('.').not()).label.empty() and children().element.where(path.contains"
            "('.').not()).code.empty() and children().element.where(path.contains('.').not()).requirements.empty()"
        ),
        _root_is_bare,
    ),
    (
        "sdf-10",
        "binding.empty() or binding.valueSet.exists() or binding.description.exists()",
        lambda n, _: lacks(n, "binding") or has(n["binding"], "valueSet", "description"),
    ),
    (
        "sdf-11",
        "kind != 'logical' implies snapshot.empty() or snapshot.element.first().path = type",
        lambda n, _: implies(
            unlike(n.get("kind"), "logical"),
            lacks(n, "snapshot") or same(_first_path(_elements(n, "snapshot")), n.get("type")),
        ),
    ),
    (
        "sdf-14",
        "snapshot.element.all(id.exists()) and differential.element.all(id.exists())",
        lambda n, _: all("id" in e for view in ("snapshot", "differential") for e in _elements(n, view)),
    ),
    (
        "sdf-15",
        "kind!='logical' implies snapshot.element.first().type.empty()",
        lambda n, _: implies(
            unlike(n.get("kind"), "logical"), not any(has(e, "type") for e in _elements(n, "snapshot")[:1])
        ),
    ),
    (
        "sdf-15a",
        (
            "(kind!='logical'  and differential.element.first().path.contains('.').not()) implies "
            "differential.element.first().type.empty()"
        ),
        lambda n, _: implies(
            both(unlike(n.get("kind"), "logical"), _first_is_root(n)),
            not any(has(e, "type") for e in _elements(n, "differential")[:1]),
        ),
    ),
    (
        "sdf-16",
        "snapshot.element.all(id.exists()) and snapshot.element.id.trace('ids').isDistinct()",
        lambda n, _: _ids(n, "snapshot"),
    ),
    (
        "sdf-17",
        "differential.element.all(id.exists()) and differential.element.id.trace('ids').isDistinct()",
        lambda n, _: _ids(n, "differential"),
    ),
    (
        "sdf-18",
        "contextInvariant.exists() implies type = 'Extension'",
        lambda n, _: implies(has(n, "contextInvariant"), same(n.get("type"), "Extension")),
    ),
    (
        "sdf-19",
        (
            "url.startsWith('http://hl7.org/fhir/StructureDefinition') implies (differential.element.type.code.all("
            r"matches('^[a-zA-Z0-9]+$') or matches('^http:\\/\\/hl7\\.org\\/fhirpath\\/System\\.[A-Z][A-Za-z]+$')) and "
            r"snapshot.element.type.code.all(matches('^[a-zA-Z0-9\\.]+$') or matches('^http:\\/\\/hl7\\.org\\/fhirpath\\/"
            r"System\\.[A-Z][A-Za-z]+$')))"
        ),
        _typed_codes,
    ),
    (
        "sdf-20",
        "element.where(path.contains('.').not()).slicing.empty()",
        lambda n, _: not any(_rooted(e) and has(e, "slicing") for e in each(n, "element")),
    ),
    (
        "sdf-21",
        "differential.element.defaultValue.exists() implies (derivation = 'specialization')",
        lambda n, _: implies(
            any(choice(e, "defaultValue") for e in _elements(n, "differential")),
            same(n.get("derivation"), "specialization"),
        ),
    ),
    (
        "sdf-22",
        (
            "url.startsWith('http://hl7.org/fhir/StructureDefinition') implies (snapshot.element.defaultValue.empty() and "
            "differential.element.defaultValue.empty())"
        ),
        lambda n, _: (
            not (isinstance(n.get("url"), str) and n["url"].startswith(_HL7))
            or not any(choice(e, "defaultValue") for v in ("snapshot", "differential") for e in _elements(n, v))
        ),
    ),
    (
        "sdf-23",
        "(snapshot | differential).element.all(path.contains('.').not() implies sliceName.empty())",
        lambda n, _: (
            not any(_rooted(e) and has(e, "sliceName") for v in ("snapshot", "differential") for e in _elements(n, v))
        ),
    ),
)
