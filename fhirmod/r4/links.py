"""What one reference may look like and point to.

Source: http://hl7.org/fhir/R4/references.html (literal, logical, contained), bundle.html#references.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from .facts import known_types
from .invariants.logic import Scope, each
from .paths import type_in
from .places import Place
from .plan import Slot
from .profiles import Element

_RELATIVE = re.compile(r"([A-Za-z]+)/([^/?#]*)(?:/_history/([^/?#]+))?(?:#.*)?")
_ABSOLUTE = re.compile(
    r"https?://[^?#\s]*?/([A-Z][A-Za-z]+)/([A-Za-z0-9.\-]{1,64})(?:/_history/[A-Za-z0-9.\-]{1,64})?(?:#.*)?"
)
_SCHEME = re.compile(r"[a-z][a-z0-9+.\-]*:[^\s]+", re.IGNORECASE)
_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?[^\s]+")
# R4 has no rule for it yet (R5 makes it ref-2): a reference to nothing is a warning
_SOMETHING = frozenset(("reference", "_reference", "identifier", "display", "_display", "extension"))
_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


@dataclass(frozen=True, slots=True)
class Link:
    """One Reference met on the way: its text, what it may point to, and where it stands."""

    text: str
    targets: frozenset[str]
    place: Place
    scope: Scope


@dataclass(frozen=True, slots=True)
class Said:
    """Something to say about a reference."""

    severity: str
    code: str
    issue: str
    sentence: str


def judge(node: dict[str, Any], slot: Slot, scope: Scope) -> list[Said]:
    """Return what is wrong with one Reference by its own text and what its element may point to."""
    found: list[Said] = []
    text, named = node.get("reference"), node.get("type")
    kind = ""
    if isinstance(text, str) and text:
        kind, said = _kind(text, scope)
        found += said
    if not _SOMETHING & node.keys():
        found.append(
            Said(
                "warning",
                "reference-empty",
                "required",
                "The reference says nothing; wanted a reference, an identifier, a display or an extension.",
            )
        )
    if isinstance(named, str) and named in known_types():
        if kind and kind != named:
            found.append(_said("reference-type", f"The reference points to {kind} but says type {named}; wanted one."))
        kind = kind or named
    targets = slot.field.targets
    if kind and targets and kind not in targets and kind in known_types():
        wanted = ", ".join(sorted(targets))
        found.append(
            _said("reference-target", f"The element {slot.field.name} points to {kind}; wanted one of {wanted}.")
        )
    return found


def named_type(node: Mapping[str, Any]) -> str:
    """Return the type that a Reference says it leads to, by its text or else by `type`; empty where neither says."""
    text, named = node.get("reference"), node.get("type")
    said = type_in(text) if isinstance(text, str) else ""
    if not said and isinstance(text, str) and (conditional := _CONDITIONAL.fullmatch(text)):
        said = conditional[1]
    return said or (named if isinstance(named, str) else "")


def misplaced(element: Element, text: str, *, found: bool, inside: bool) -> str:
    """Return where a profile wants the target of a reference, if it is not there; `inside`: the document is a Bundle.

    Source: http://hl7.org/fhir/R4/valueset-resource-aggregation-mode.html (referenced is outside its resource, so in
            the same Bundle too).
    """
    where = {"contained"} if text.startswith("#") else {"bundled", "referenced"} if found else {"referenced"}
    if not element.aggregation or where & element.aggregation:
        return ""
    cannot_tell = not inside and "bundled" in element.aggregation and "contained" not in where
    return "" if cannot_tell else " or ".join(sorted(element.aggregation))


def misversioned(element: Element, text: str) -> str:
    """Return what is wrong with a reference where a profile wants a version named, or none; empty if nothing is.

    Source: http://hl7.org/fhir/R4/valueset-reference-version-rules.html
    """
    if not element.versioning or text.startswith(("#", "urn:")):
        return ""
    versioned = "/_history/" in text
    if versioned == (element.versioning == "specific"):
        return ""
    return "names a version; wanted none" if versioned else "names no version; wanted Type/id/_history/version"


def _kind(text: str, scope: Scope) -> tuple[str, list[Said]]:
    if text.startswith("#"):
        for one in each(scope.root, "contained"):
            if isinstance(one, dict) and one.get("id") == text[1:]:
                return str(one.get("resourceType", "")), []
        return "", []
    if (found := _ABSOLUTE.fullmatch(text)) is not None:
        return (found[1] if found[1] in known_types() else ""), []
    if _SCHEME.fullmatch(text) or _CONDITIONAL.fullmatch(text):
        return "", []
    if (relative := _RELATIVE.fullmatch(text)) is not None:
        kind, identity = relative[1], relative[2]
        if kind not in known_types():
            return "", [_said("reference-form", "The relative reference names no R4 resource type; wanted Type/id.")]
        if not _ID.fullmatch(identity):
            return kind, [
                _said(
                    "reference-form",
                    f"The reference to {kind} has no valid id; wanted 1 to 64 of A-Z a-z 0-9 - .",
                )
            ]
        return kind, []
    return "", [
        Said(
            "warning",
            "reference-form",
            "value",
            "The reference is neither Type/id, an absolute URL, urn:uuid: nor #id; wanted one of these.",
        )
    ]


def _said(code: str, sentence: str) -> Said:
    return Said("error", code, "value" if code == "reference-form" else "structure", sentence)
