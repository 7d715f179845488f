"""A patch on its way to a resource: JSON Patch or FHIRPath Patch, applied to exactly what is stored.

The result is written as JSON anew, every digit as it was; a patch that does not apply changes nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fhirmod.errors import BusinessRuleError, InvalidError, UnreadableError
from fhirmod.mapping import known_profiles
from fhirmod.r4 import dump, fhirpath_patch, json_patch, parse, refusals
from fhirmod.store import Version


@dataclass(frozen=True, slots=True)
class Patch:
    """The operations of a patch; what it once made of a version is remembered, since works may run twice."""

    document: Any
    _made: dict[tuple[str, str, int], tuple[bytes, Mapping[str, Any]]] = field(default_factory=dict)

    def applied(self, current: Version) -> tuple[bytes, Mapping[str, Any]]:
        """Return the text and the resource that a living version becomes.

        Errors: UnreadableError if the document is no patch; InvalidError if it does not apply, or what comes out is
                not valid R4; BusinessRuleError if it would change what the resource is.
        """
        key = (current.type, current.id, current.version)
        if key not in self._made:
            self._made[key] = self._apply(current)
        return self._made[key]

    def _apply(self, current: Version) -> tuple[bytes, Mapping[str, Any]]:
        before = parse(current.body or b"")
        make = json_patch if isinstance(self.document, list) else fhirpath_patch
        resource = make(before, self.document)
        for name in ("resourceType", "id"):
            if resource.get(name) != before[name]:
                raise BusinessRuleError(
                    f"The patch changes {name} of {current.type}/{current.id}; a patch keeps what a resource is.",
                    place=f"{current.type}.{name}",
                )
        resource = _told_anew(before, resource)
        wrong = tuple(refusals(resource, known_profiles()))
        if wrong:
            raise InvalidError("What the patch makes is not valid FHIR R4.", findings=wrong)
        return dump(resource), resource


def _told_anew(before: Mapping[str, Any], resource: dict[str, Any]) -> dict[str, Any]:
    """Return the patched resource without the narrative that told of what it was, unless the patch saw to it.

    Errors: BusinessRuleError for a narrative that says more than the data, which nobody here can write anew.
    Source: http://hl7.org/fhir/R4/http.html#patch ("SHALL ensure that the narrative in a resource is not clinically
            unsafe after the PATCH")
    """
    told = before.get("text")
    changed = any(before.get(one) != resource.get(one) for one in {*before, *resource} - {"meta", "text"})
    if told is None or resource.get("text") != told or not changed or told.get("status") == "empty":
        return resource
    if told.get("status") == "additional":
        raise BusinessRuleError(
            "The narrative says more than the data and would tell of what was before the patch; patch text too.",
            place=f"{resource['resourceType']}.text",
        )
    return {name: value for name, value in resource.items() if name != "text"}


def read_patch(document: Any) -> Patch:
    """Return the patch that a document is: a list of JSON Patch operations, or Parameters of a FHIRPath Patch.

    Errors: UnreadableError for anything else; InvalidError if the Parameters are not valid R4.
    """
    if isinstance(document, list):
        return Patch(document)
    if not isinstance(document, Mapping) or document.get("resourceType") != "Parameters":
        raise UnreadableError(
            "The body is no patch; wanted a list of JSON Patch operations, or Parameters of a FHIRPath Patch."
        )
    wrong = tuple(refusals(document, known_profiles()))
    if wrong:
        raise InvalidError("The Parameters of the patch are not valid FHIR R4.", findings=wrong)
    return Patch(document)
