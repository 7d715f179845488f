"""The invariants of R4's clinical and administrative resources, each beside its FHIRPath."""

from typing import Any

from fhirmod.r4.dates import surely_after

from .logic import (
    UCUM,
    Row,
    Scope,
    Truth,
    both,
    choice,
    coded,
    each,
    either,
    has,
    lacks,
    number,
    same,
)

ALLERGY_VERIFIED = "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification"
CONDITION_VERIFIED = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
CONDITION_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"


def _not_before(later: Any, earlier: Any) -> Truth:
    """`later >= earlier`, where both are dates of whatever precision."""
    if not isinstance(later, str) or not isinstance(earlier, str):
        return None
    return not surely_after(earlier, later)


def _wrong_allergy(node: Any) -> bool:
    return coded(node, "verificationStatus", ALLERGY_VERIFIED, "entered-in-error")


def _wrong_condition(node: Any) -> bool:
    return coded(node, "verificationStatus", CONDITION_VERIFIED, "entered-in-error")


def _component_repeats_code(node: Any, scope: Scope) -> Truth:
    if not choice(node, "value"):
        return True
    own = list(each(scope.resource, "code", "coding"))
    codes = [coding.get("code") for coding in own]
    for component in node.get("component", ()):
        for coding in component["code"].get("coding", ()):
            if coding.get("code") in codes and coding in own:
                return False
    return True


def _percent(node: Any, name: str) -> Truth:
    end = node.get(name)
    if not isinstance(end, dict):
        return True
    return both(same(end.get("code"), "%"), same(end.get("system"), UCUM))


def _probability_range(node: Any, _scope: Scope) -> Truth:
    return not isinstance(node, dict) or both(_percent(node, "low"), _percent(node, "high"))


def _probability(node: Any, _scope: Scope) -> Truth:
    value = number(node.get("probabilityDecimal"))
    return value is None or value <= 100


def _represented(node: Any, scope: Scope) -> Truth:
    """Only a contained member can be resolved here; anything else counts as not resolved."""
    reference = node.get("member", {}).get("reference") if isinstance(node.get("member"), dict) else None
    if lacks(node, "onBehalfOf") or not isinstance(reference, str) or not reference.startswith("#"):
        return True
    kinds = [one.get("resourceType") for one in each(scope.root, "contained") if one.get("id") == reference[1:]]
    return not kinds or "Practitioner" in kinds


def _scoped(code: str) -> Row:
    return (
        {"patient-privacy": "ppc-2", "research": "ppc-3", "adr": "ppc-4", "treatment": "ppc-5"}[code],
        f"patient.exists() or scope.coding.where(system='something' and code='{code}').exists().not()",
        lambda n, _: has(n, "patient") or not coded(n, "scope", "something", code),
    )


ROWS: tuple[Row, ...] = (
    (
        "ait-1",
        (
            "verificationStatus.coding.where(system = 'http://terminology.hl7.org/CodeSystem/allergyintolerance-"
            "verification' and code = 'entered-in-error').exists() or clinicalStatus.exists()"
        ),
        lambda n, _: _wrong_allergy(n) or has(n, "clinicalStatus"),
    ),
    (
        "ait-2",
        (
            "verificationStatus.coding.where(system = 'http://terminology.hl7.org/CodeSystem/allergyintolerance-"
            "verification' and code = 'entered-in-error').empty() or clinicalStatus.empty()"
        ),
        lambda n, _: not _wrong_allergy(n) or lacks(n, "clinicalStatus"),
    ),
    (
        "cmp-1",
        "text.exists() or entry.exists() or section.exists()",
        lambda n, _: has(n, "text", "entry", "section"),
    ),
    (
        "cmp-2",  # lst-1 has the same text
        "emptyReason.empty() or entry.empty()",
        lambda n, _: lacks(n, "emptyReason") or lacks(n, "entry"),
    ),
    ("con-1", "summary.exists() or assessment.exists()", lambda n, _: has(n, "summary", "assessment")),
    ("con-2", "code.exists() or detail.exists()", lambda n, _: has(n, "code", "detail")),
    (
        # R4 compares a CodeableConcept with a text, which is never equal but never empty either: as
        # written, any category at all makes it fail. It is a warning; we keep what is written.
        "con-3",
        (
            "clinicalStatus.exists() or verificationStatus.coding.where(system='http://terminology.hl7.org/CodeSystem/"
            "condition-ver-status' and code = 'entered-in-error').exists() or "
            "category.select($this='problem-list-item').empty()"
        ),
        lambda n, _: has(n, "clinicalStatus") or _wrong_condition(n) or lacks(n, "category"),
    ),
    (
        "con-4",
        (
            "abatement.empty() or clinicalStatus.coding.where(system='http://terminology.hl7.org/CodeSystem/"
            "condition-clinical' and (code='resolved' or code='remission' or code='inactive')).exists()"
        ),
        lambda n, _: (
            not choice(n, "abatement")
            or coded(n, "clinicalStatus", CONDITION_CLINICAL, "resolved", "remission", "inactive")
        ),
    ),
    (
        "con-5",
        (
            "verificationStatus.coding.where(system='http://terminology.hl7.org/CodeSystem/condition-ver-status' and "
            "code='entered-in-error').empty() or clinicalStatus.empty()"
        ),
        lambda n, _: not _wrong_condition(n) or lacks(n, "clinicalStatus"),
    ),
    (
        "cpl-3",
        "detail.empty() or reference.empty()",
        lambda n, _: lacks(n, "detail") or lacks(n, "reference"),
    ),
    (
        "ctm-1",
        "onBehalfOf.exists() implies (member.resolve().iif(empty(), true, ofType(Practitioner).exists()))",
        _represented,
    ),
    ("fhs-1", "age.empty() or born.empty()", lambda n, _: not choice(n, "age") or not choice(n, "born")),
    (
        "fhs-2",
        "age.exists() or estimatedAge.empty()",
        lambda n, _: choice(n, "age") or lacks(n, "estimatedAge"),
    ),
    (
        "gol-1",
        "(detail.exists() and measure.exists()) or detail.exists().not()",
        lambda n, _: not choice(n, "detail") or has(n, "measure"),
    ),
    (
        "grp-1",
        "member.empty() or (actual = true)",
        lambda n, _: either(lacks(n, "member"), same(n.get("actual"), True)),
    ),
    (
        "imm-1",
        "documentType.exists() or reference.exists()",
        lambda n, _: has(n, "documentType", "reference"),
    ),
    (
        "inv-1",
        "lastModified.exists().not() or authoredOn.exists().not() or lastModified >= authoredOn",
        lambda n, _: _not_before(n.get("lastModified"), n.get("authoredOn")),
    ),
    (
        "lst-2",
        "mode = 'changes' or entry.deleted.empty()",
        lambda n, _: either(same(n.get("mode"), "changes"), not any(has(e, "deleted") for e in each(n, "entry"))),
    ),
    (
        "lst-3",
        "mode = 'working' or entry.date.empty()",
        lambda n, _: either(same(n.get("mode"), "working"), not any(has(e, "date") for e in each(n, "entry"))),
    ),
    ("mad-1", "dose.exists() or rate.exists()", lambda n, _: has(n, "dose") or choice(n, "rate")),
    (
        "mdd-1",
        "whenHandedOver.empty() or whenPrepared.empty() or whenHandedOver >= whenPrepared",
        lambda n, _: _not_before(n.get("whenHandedOver"), n.get("whenPrepared")),
    ),
    (
        "mrp-1",
        "(type != 'data-collection') or group.exists().not()",
        lambda n, _: either(
            None if n.get("type") is None else n["type"] != "data-collection",
            lacks(n, "group"),
        ),
    ),
    (
        "mrp-2",
        "group.stratifier.stratum.all(value.exists() xor component.exists())",
        lambda n, _: all(has(s, "value") != has(s, "component") for s in each(n, "group", "stratifier", "stratum")),
    ),
    ("obs-3", "low.exists() or high.exists() or text.exists()", lambda n, _: has(n, "low", "high", "text")),
    (
        "obs-6",
        "dataAbsentReason.empty() or value.empty()",
        lambda n, _: lacks(n, "dataAbsentReason") or not choice(n, "value"),
    ),
    (
        "obs-7",
        "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()",
        _component_repeats_code,
    ),
    ("org-1", "(identifier.count() + name.count()) > 0", lambda n, _: has(n, "identifier", "name")),
    (
        "org-2",  # org-3 has the same text
        "where(use = 'home').empty()",
        lambda n, _: n.get("use") != "home",
    ),
    (
        "pat-1",
        "name.exists() or telecom.exists() or address.exists() or organization.exists()",
        lambda n, _: has(n, "name", "telecom", "address", "organization"),
    ),
    ("ppc-1", "policy.exists() or policyRule.exists()", lambda n, _: has(n, "policy", "policyRule")),
    _scoped("patient-privacy"),
    _scoped("research"),
    _scoped("adr"),
    _scoped("treatment"),
    ("prr-1", "orderDetail.empty() or code.exists()", lambda n, _: lacks(n, "orderDetail") or has(n, "code")),
    (
        "qrs-1",
        "(answer.exists() and item.exists()).not()",
        lambda n, _: not (has(n, "answer") and has(n, "item")),
    ),
    (
        "ras-1",
        (
            "(low.empty() or ((low.code = '%') and (low.system = %ucum))) and (high.empty() or ((high.code = '%') and "
            "(high.system = %ucum)))"
        ),
        _probability_range,
    ),
    ("ras-2", "probability is decimal implies (probability as decimal) <= 100", _probability),
    ("sev-1", "name.empty() or query.empty()", lambda n, _: lacks(n, "name") or lacks(n, "query")),
)
