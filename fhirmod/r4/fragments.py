"""What JSON Schema can say of R4's primitives and rules, for the fast subset: never less strict than R4.

Source: the grammars of http://hl7.org/fhir/R4/datatypes.html#primitive; each rule by its FHIRPath.
"""

from typing import Any

from .grammars import MAX_STRING

Schema = dict[str, Any]

_DAY = r"(?:(?:0[13578]|1[02])-(?:0[1-9]|[12]\d|3[01])|(?:0[469]|11)-(?:0[1-9]|[12]\d|30)|02-(?:0[1-9]|1\d|2[0-8]))"
_YEAR = r"(?:000[1-9]|00[1-9]\d|0[1-9]\d\d|[1-9]\d{3})"
_LEAP = r"(?:(?:\d\d(?:0[48]|[2468][048]|[13579][26])|(?:0[48]|[2468][048]|[13579][26])00)-02-29)"
_DATE = rf"(?:{_YEAR}-{_DAY}|{_LEAP})".replace(r"\d", "[0-9]")
_TIME = (
    r"T(?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|60)(?:\.[0-9]+)?(?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)"
)
_PARTIAL = rf"{_YEAR}(?:-(?:0[1-9]|1[0-2]))?".replace(r"\d", "[0-9]")
_URI = {"type": "string", "minLength": 1, "not": {"pattern": r"[ \t\r\n\f\v]"}}  # sought for, not gone through
_TEXT = {"type": "string", "minLength": 1, "maxLength": MAX_STRING}

# One div with paragraphs of plain or bold text: the narratives that a pattern can judge; others are read.
_WORDS = r"[^<&\x00-\x08\x0b\x0c\x0e-\x1f\uFFFE\uFFFF]*"
_SOME = r"[^<&\x00-\x08\x0b\x0c\x0e-\x1f\uFFFE\uFFFF]*[^<&\s\x00-\x1f\uFFFE\uFFFF]" + _WORDS
_PARAGRAPH = rf"<p>{_SOME}(?:<b>{_WORDS}</b>{_WORDS})*</p>"
NARRATIVE = rf'^<div xmlns="http://www\.w3\.org/1999/xhtml">(?:{_PARAGRAPH})+</div>$'


def _whole(low: int) -> Schema:
    return {"type": "integer", "minimum": low, "maximum": 2**31 - 1, "r4-whole": True}


PATTERNS: dict[str, Schema] = {
    "boolean": {"type": "boolean"},
    "canonical": _URI,
    "code": {"type": "string", "pattern": r"^[^ \t\r\n\f\v]+(?:[ \t\r\n][^ \t\r\n\f\v]+)*$"},
    "date": {"type": "string", "pattern": f"^(?:{_PARTIAL}|{_DATE})$"},
    "dateTime": {"type": "string", "pattern": f"^(?:{_PARTIAL}|{_DATE}(?:{_TIME})?)$"},
    "decimal": {"type": "number"},
    "id": {"type": "string", "pattern": r"^[A-Za-z0-9\-.]{1,64}$"},
    "instant": {"type": "string", "pattern": f"^{_DATE}{_TIME}$"},
    "integer": _whole(-(2**31)),
    "markdown": _TEXT,
    "positiveInt": _whole(1),
    "string": _TEXT,
    "unsignedInt": _whole(0),
    "uri": _URI,
    "url": _URI,
    "xhtml": {"anyOf": [{"type": "string", "pattern": NARRATIVE}, {"type": "string", "r4-narrative": True}]},
}

# The same of which nothing at all is to be said: no blank text, no relative URI, no urn that is none.
_READABLE = {**_TEXT, "pattern": r"^[^\s\x00-\x20\x7f-\xa0][^\x00-\x08\x0b\x0c\x0e-\x1f]*$"}
WHOLE_URI = {
    "type": "string",
    "pattern": r"^(?:(?:https?|ftp|mailto|urn:(?:iso|ietf)):[^ \t\r\n\f\v]+"
    r"|urn:uuid:[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12}|urn:oid:[0-2](?:\.(?:0|[1-9][0-9]*))+)$",
}
QUIET: dict[str, Schema] = PATTERNS | {
    **dict.fromkeys(("string", "markdown"), _READABLE),
    **dict.fromkeys(("canonical", "uri", "url"), WHOLE_URI),
}

# Rules that hold by how the subset is made: no contained resources, no reference to #, closed extensions.
MOOT = frozenset(("dom-2", "dom-3", "dom-4", "dom-5", "ext-1", "ref-1"))


def _needs(name: str, *others: str) -> Schema:
    return {"dependentRequired": {name: list(others)}}


def _one_of(*names: str) -> Schema:
    return {"anyOf": [{"required": [name]} for name in names]}


def _in_bundles(kinds: list[str], entry: Schema, other: Schema) -> Schema:
    """Return what each entry is in Bundles of some kinds, and what it is in others."""
    return {
        "anyOf": [
            {"properties": {"type": {"enum": kinds}, "entry": {"items": entry}}},
            {"properties": {"type": {"not": {"enum": kinds}}, "entry": {"items": other}}},
        ]
    }


_NO_VALUE: Schema = {"patternProperties": {"^value": False, "^_value": False}}
_IN_ORDER = "start.hasValue().not() or end.hasValue().not() or (start <= end)"
_NOT_REPEATED = "value.empty() or component.code.where(coding.intersect(%resource.code.coding).exists()).empty()"

# FHIRPath of a rule -> the same, or something stricter, as JSON Schema.
TRANSLATED: dict[str, Schema] = {
    "code.empty() or system.exists()": _needs("code", "system"),
    "comparator.empty()": {"properties": {"comparator": False}},
    "low.exists() or high.exists() or text.exists()": _one_of("low", "high", "text"),
    "value.empty() or system.exists()": _needs("value", "system"),
    "data.empty() or contentType.exists()": _needs("data", "contentType"),
    "dose.exists() or rate.exists()": _one_of("dose", "rateRatio", "rateQuantity"),
    _IN_ORDER: {"dependentSchemas": {"start": {"anyOf": [{"properties": {"end": False}}, {"r4-rule": _IN_ORDER}]}}},
    "dataAbsentReason.empty() or value.empty()": {"dependentSchemas": {"dataAbsentReason": _NO_VALUE}},
    _NOT_REPEATED: {"dependentSchemas": {"component": {"r4-rule": _NOT_REPEATED}}},
    "resource.exists() or request.exists() or response.exists()": _one_of("resource", "request", "response"),
    "entry.search.empty() or (type = 'searchset')": _in_bundles(["searchset"], {}, {"properties": {"search": False}}),
    (
        "entry.all(request.exists() = (%resource.type = 'batch' or %resource.type = 'transaction' or "
        "%resource.type = 'history'))"
    ): _in_bundles(["batch", "transaction", "history"], _one_of("request"), {"properties": {"request": False}}),
    (
        "entry.all(response.exists() = (%resource.type = 'batch-response' or %resource.type = "
        "'transaction-response' or %resource.type = 'history'))"
    ): _in_bundles(
        ["batch-response", "transaction-response", "history"],
        _one_of("response"),
        {"properties": {"response": False}},
    ),
    "fullUrl.contains('/_history/').not()": {"properties": {"fullUrl": {"not": {"pattern": "/_history/"}}}},
}

# The same for rules of profiles, which stand beside the rule itself: where one of these holds, it holds.
SURELY: dict[str, list[Schema]] = {
    "($this as dateTime).toString().length() >= 8": [{"minLength": 8}],
    "(component.empty() and hasMember.empty()) implies (dataAbsentReason.exists() or value.exists())": [
        {"required": [name]} for name in ("valueQuantity", "component", "hasMember", "dataAbsentReason")
    ],
    "value.exists() or dataAbsentReason.exists()": [{"required": ["valueQuantity"]}],
}
