# ruff: noqa: E501 - FHIRPath stands as HL7 published it
"""The invariants of R4's other definitional resources (value sets, questionnaires, what a server claims)."""

import re
from typing import Any

from .logic import (
    Row,
    Scope,
    Truth,
    both,
    choice,
    descendants,
    distinct,
    each,
    either,
    has,
    implies,
    lacks,
    matches,
    negated,
    reached,
    same,
    unlike,
)

_NAME = re.compile(r"[A-Z][A-Za-z0-9_]{0,254}")


def _item_group(node: Any, _scope: Scope) -> Truth:
    kind = node.get("type")
    return both(implies(same(kind, "group"), has(node, "item")), implies(same(kind, "display"), lacks(node, "item")))


def _of(node: Any, *types: str) -> Truth:
    return None if node.get("type") is None else node["type"] in types


def _named(key: str) -> Row:
    return (key, "name.matches('[A-Z]([A-Za-z0-9_]){0,254}')", lambda n, _: matches(n.get("name"), _NAME))


def _stratified(node: Any, _scope: Scope) -> Truth:
    return all(
        has(one, "code", "description", "criteria") != has(one, "component")
        for one in each(node, "group", "stratifier")
    )


def _concept_codes(node: Any) -> list[Any]:
    return [one["code"] for one in descendants(node, "concept") if isinstance(one, dict) and "code" in one]


ROWS: tuple[Row, ...] = (
    _named("cpb-0"),  # every definitional resource has a rule of this text under its own key
    (
        "cpb-1",
        "rest.exists() or messaging.exists() or document.exists()",
        lambda n, _: has(n, "rest", "messaging", "document"),
    ),
    (
        "cpb-2",
        "(description.count() + software.count() + implementation.count()) > 0",
        lambda n, _: has(n, "description", "software", "implementation"),
    ),
    (
        "cpb-3",
        "messaging.endpoint.empty() or kind = 'instance'",
        lambda n, _: either(not reached(n, "messaging", "endpoint"), same(n.get("kind"), "instance")),
    ),
    (
        "cpb-7",
        "document.select(profile&mode).isDistinct()",
        lambda n, _: distinct(f"{d.get('profile', '')}{d.get('mode', '')}" for d in each(n, "document")),
    ),
    ("cpb-9", "resource.select(type).isDistinct()", lambda n, _: distinct(each(n, "resource", "type"))),
    (
        "cpb-12",
        "searchParam.select(name).isDistinct()",
        lambda n, _: distinct(each(n, "searchParam", "name")),
    ),
    (
        "cpb-14",
        "(kind != 'instance') or implementation.exists()",
        lambda n, _: either(unlike(n.get("kind"), "instance"), has(n, "implementation")),
    ),
    (
        "cpb-15",
        "(kind != 'capability') or (implementation.exists().not() and software.exists())",
        lambda n, _: either(unlike(n.get("kind"), "capability"), lacks(n, "implementation") and has(n, "software")),
    ),
    (
        "cpb-16",
        "(kind!='requirements') or (implementation.exists().not() and software.exists().not())",
        lambda n, _: either(unlike(n.get("kind"), "requirements"), lacks(n, "implementation", "software")),
    ),
    (
        "cmd-1",
        "comment.exists() or equivalence.empty() or ((equivalence != 'narrower') and (equivalence != 'inexact'))",
        lambda n, _: has(n, "comment") or n.get("equivalence") not in ("narrower", "inexact"),
    ),
    (
        "cmd-2",
        "(mode = 'fixed') implies code.exists()",
        lambda n, _: implies(same(n.get("mode"), "fixed"), has(n, "code")),
    ),
    (
        "cmd-3",
        "(mode = 'other-map') implies url.exists()",
        lambda n, _: implies(same(n.get("mode"), "other-map"), has(n, "url")),
    ),
    (
        "csd-1",
        "concept.code.combine($this.descendants().concept.code).isDistinct()",
        lambda n, _: distinct(_concept_codes(n)),
    ),
    (
        "ig-1",
        "resource.groupingId.all(%context.grouping.id contains $this)",
        lambda n, _: set(each(n, "resource", "groupingId")) <= set(each(n, "grouping", "id")),
    ),
    (
        "ig-2",
        "definition.resource.fhirVersion.all(%context.fhirVersion contains $this)",
        lambda n, _: set(each(n, "definition", "resource", "fhirVersion")) <= set(each(n, "fhirVersion")),
    ),
    (
        "mea-1",
        "group.stratifier.all((code | description | criteria).exists() xor component.exists())",
        _stratified,
    ),
    (
        "nsd-1",
        "kind != 'root' or uniqueId.all(type != 'uuid')",
        lambda n, _: either(unlike(n.get("kind"), "root"), "uuid" not in list(each(n, "uniqueId", "type"))),
    ),
    (
        "nsd-2",
        "uniqueId.where(preferred = true).select(type).isDistinct()",
        lambda n, _: distinct(u.get("type") for u in each(n, "uniqueId") if u.get("preferred") is True),
    ),
    ("opd-1", "type.exists() or part.exists()", lambda n, _: has(n, "type", "part")),
    (
        "opd-2",
        "searchType.exists() implies type = 'string'",
        lambda n, _: implies(has(n, "searchType"), same(n.get("type"), "string")),
    ),
    (
        "opd-3",
        "targetProfile.exists() implies (type = 'Reference' or type = 'canonical')",
        lambda n, _: implies(
            has(n, "targetProfile"),
            either(same(n.get("type"), "Reference"), same(n.get("type"), "canonical")),
        ),
    ),
    (
        "que-1",
        (
            "(type='group' implies item.empty().not()) and (type.trace('type')='display' implies "
            "item.trace('item').empty())"
        ),
        _item_group,
    ),
    ("que-2", "descendants().linkId.isDistinct()", lambda n, _: distinct(descendants(n, "linkId"))),
    (
        "que-3",
        "type!='display' or code.empty()",
        lambda n, _: either(unlike(n.get("type"), "display"), lacks(n, "code")),
    ),
    (
        "que-4",
        "answerOption.empty() or answerValueSet.empty()",
        lambda n, _: lacks(n, "answerOption") or lacks(n, "answerValueSet"),
    ),
    (
        "que-5",
        (
            "(type ='choice' or type = 'open-choice' or type = 'decimal' or type = 'integer' or type = 'date' or "
            "type = 'dateTime' or type = 'time' or type = 'string' or type = 'quantity') or (answerValueSet.empty() and "
            "answerOption.empty())"
        ),
        lambda n, _: either(
            _of(
                n,
                "choice",
                "open-choice",
                "decimal",
                "integer",
                "date",
                "dateTime",
                "time",
                "string",
                "quantity",
            ),
            lacks(n, "answerValueSet", "answerOption"),
        ),
    ),
    (
        "que-6",
        "type!='display' or (required.empty() and repeats.empty())",
        lambda n, _: either(unlike(n.get("type"), "display"), lacks(n, "required", "repeats")),
    ),
    (
        "que-7",
        "operator = 'exists' implies (answer is Boolean)",
        lambda n, _: implies(
            same(n.get("operator"), "exists"), has(n, "answerBoolean") if choice(n, "answer") else None
        ),
    ),
    (
        "que-8",
        "(type!='group' and type!='display') or initial.empty()",
        lambda n, _: either(negated(_of(n, "group", "display")), lacks(n, "initial")),
    ),
    (
        "que-9",
        "type!='display' or readOnly.empty()",
        lambda n, _: either(unlike(n.get("type"), "display"), lacks(n, "readOnly")),
    ),
    (
        "que-10",
        (
            "(type in ('boolean' | 'decimal' | 'integer' | 'string' | 'text' | 'url' | 'open-choice')) or "
            "maxLength.empty()"
        ),
        lambda n, _: either(
            _of(n, "boolean", "decimal", "integer", "string", "text", "url", "open-choice"),
            lacks(n, "maxLength"),
        ),
    ),
    (
        "que-11",
        "answerOption.empty() or initial.empty()",
        lambda n, _: lacks(n, "answerOption") or lacks(n, "initial"),
    ),
    (
        "que-12",
        "enableWhen.count() > 2 implies enableBehavior.exists()",
        lambda n, _: len(list(each(n, "enableWhen"))) <= 2 or has(n, "enableBehavior"),
    ),
    (
        "que-13",
        "repeats=true or initial.count() <= 1",
        lambda n, _: either(same(n.get("repeats"), True), len(list(each(n, "initial"))) <= 1),
    ),
    ("spd-1", "xpath.empty() or xpathUsage.exists()", lambda n, _: lacks(n, "xpath") or has(n, "xpathUsage")),
    (
        "spd-2",
        "chain.empty() or type = 'reference'",
        lambda n, _: either(lacks(n, "chain"), same(n.get("type"), "reference")),
    ),
    ("vsd-1", "valueSet.exists() or system.exists()", lambda n, _: has(n, "valueSet", "system")),
    (
        "vsd-2",
        "(concept.exists() or filter.exists()) implies system.exists()",
        lambda n, _: lacks(n, "concept", "filter") or has(n, "system"),
    ),
    ("vsd-3", "concept.empty() or filter.empty()", lambda n, _: lacks(n, "concept") or lacks(n, "filter")),
    ("vsd-6", "code.exists() or display.exists()", lambda n, _: has(n, "code", "display")),
    (
        "vsd-9",
        "code.exists() or abstract = true",
        lambda n, _: either(has(n, "code"), same(n.get("abstract"), True)),
    ),
)
