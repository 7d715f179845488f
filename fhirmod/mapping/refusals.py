"""What in a resource makes all of it unread: modifiers of R4 that are not understood, or that it is about another.

Everything here is valid R4: the resource is stored, served, and listed with the reason.
Source: HL7 FHIR R4 extensibility (modifierExtension), Resource.implicitRules, ServiceRequest.doNotPerform, asNeeded
        and intent (value set request-intent), AdverseEvent.actuality, Observation.focus and subject.
"""

from collections.abc import Collection, Mapping
from typing import Any

from .codec import Unread
from .paths import get_at
from .shapes import Shape

_PLAIN = frozenset(  # elements of data types that R4 gives no modifierExtension, left aside for speed
    {"extension", "identifier", "meta", "text", "code", "category", "coding", "subject", "partOf", "valueQuantity"}
)
_DECIDED = frozenset({"order", "original-order", "reflex-order", "filler-order", "instance-order"})


def refuse_modifiers(resource: Mapping[str, Any]) -> None:
    """Return nothing if nothing in a resource may turn its meaning into another.

    Errors: Unread with the element that may.
    """
    for name in ("modifierExtension", "implicitRules"):
        if name in resource or (name == "modifierExtension" and _modified(resource)):
            raise Unread(f"it carries {name}, which may change its meaning in a way not known here")
    if resource.get("doNotPerform"):
        raise Unread("it says that something is not to be done", complete=True)
    if resource.get("asNeededBoolean") or "asNeededCodeableConcept" in resource:
        raise Unread("it is wanted only if needed, so nothing is decided yet", complete=True)
    if resource.get("actuality") == "potential":
        raise Unread("its actuality is potential: it did not happen, it could have", complete=True)
    if resource["resourceType"] == "ServiceRequest" and resource.get("intent") not in _DECIDED:
        sentence = f"its intent is {resource.get('intent')}, so nobody with the authority has decided it"
        raise Unread(sentence, complete=True)


def refuse_others(resource: Mapping[str, Any], shape: Shape, subjects: Collection[str]) -> None:
    """Return nothing if a resource is about the woman herself; `subjects` are her references, none if not known.

    Errors: Unread if it is about another patient, or measured on somebody or something else.
    """
    subject = get_at(resource, shape.subject) if shape.subject else None
    subject = subject.get("reference") if isinstance(subject, Mapping) else None
    if subject and subjects and subject not in subjects:
        raise Unread("its subject is another one than the woman of this tamponade", complete=True)
    for focus in resource.get("focus", ()):
        if resource["resourceType"] == "Observation" and focus.get("reference") != subject:
            sentence = "it has a focus: it was observed on somebody or something else than its subject"
            raise Unread(sentence, complete=True)


def refuse_rate(resource: Mapping[str, Any], kind: str) -> None:
    """Return nothing unless what would be read as one dose runs at a rate.

    Errors: Unread: a rate is of an infusion, which has a name, a start and a stop.
    """
    dosage = resource.get("dosage", {}) if kind == "medication" else {}
    if "rateQuantity" in dosage or "rateRatio" in dosage:
        raise Unread("it runs at a rate, so it is no single dose; when an infusion starts and stops is not told by it")


def refuse_unfinished(resource: Mapping[str, Any], kind: str) -> None:
    """Return nothing unless a balloon was not placed, or not taken out, to the end.

    Shape: a placement that is part of nothing stands for the whole course, which may well be in progress.
    Errors: Unread with the status.
    """
    part = "partOf" in resource or kind == "removal"
    status = resource.get("status")
    if kind in ("placement", "removal") and (status == "stopped" or (part and status in ("in-progress", "on-hold"))):
        raise Unread(f"its status is {status}, so it was not carried to its end")


def _modified(resource: Mapping[str, Any]) -> bool:
    """Return whether any part of a resource carries a modifierExtension."""
    inside: list[Mapping[str, Any]] = [resource]
    while inside:
        part = inside.pop()
        if "modifierExtension" in part:
            return True
        for name, value in part.items():
            kind = type(value)
            if (kind is dict or kind is list) and name not in _PLAIN:
                inside += [one for one in value if type(one) is dict] if kind is list else (value,)
    return False
