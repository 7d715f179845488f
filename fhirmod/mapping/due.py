"""What is due, as Tasks: one for each kind and balloon, moved by the entries; never overdue, which a clock decides."""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from fhirmod.compute import Copy, Due, Why
from fhirmod.episode import Facility, Moment, Threshold
from terminology import concept

from .meta import meta_of
from .urls import UCUM
from .writing import Context, Image

DUE_PROFILE = "due"


def due_images(
    episode_id: str, due: Iterable[Due], roots: Mapping[str, str], context: Context, copy: Copy
) -> dict[str, Image]:
    """Return the Task of each thing that is or was due, by reference.

    Shape: ``<root of the placement, or episode>.due-<kind>``; the window is `restriction.period`; `input` has the
           parameters of the site protocol that make it and what it counts from; `owner` is who has custody.
    """
    made = (_task(episode_id, one, roots, context, copy) for one in due)
    return {image.reference: image for image in made}


def _task(episode_id: str, due: Due, roots: Mapping[str, str], context: Context, copy: Copy) -> Image:
    root = roots.get(due.placement, due.placement) if due.placement is not None else episode_id
    image_id = f"{root}.due-{due.kind}"
    body: dict[str, Any] = {
        "resourceType": "Task",
        "id": image_id,
        "meta": meta_of(DUE_PROFILE, context),
        "status": due.status,
    }
    if due.why is not None:
        body["statusReason"] = concept(f"due.why.{due.why}").codeable
    body |= {
        "intent": "plan",
        "code": concept(f"due.{due.kind}").codeable,
        "focus": _focus(root, episode_id, context),
        "for": {"reference": context.subject},
    }
    if context.encounter is not None:
        body["encounter"] = {"reference": context.encounter}
    if due.done is not None:
        body["executionPeriod"] = {"end": _text(due.done)}
    if not isinstance(copy.custodian, Why):
        body["owner"] = context.facility(Facility(id=copy.custodian))
    body["reasonCode"] = {"text": "; ".join(dict.fromkeys(one.source.citation for one in due.thresholds))}
    body["restriction"] = {"period": {"start": _text(due.start), "end": _text(due.end)}}
    since = {"type": concept("due.since").codeable, "valueDateTime": _text(due.since)}
    body["input"] = [since, *map(_parameter, due.thresholds)]
    return Image("Task", image_id, body)


def _focus(root: str, episode_id: str, context: Context) -> dict[str, str]:
    """Return what is to be looked at: the balloon's placement, or the whole course."""
    placed = context.links(f"Procedure/{root}.placement") if root != episode_id else []
    return placed[0] if placed else {"reference": context.anchor}


def _parameter(threshold: Threshold) -> dict[str, Any]:
    """Return the input that names a parameter of the site protocol and its value."""
    quantity = {"value": threshold.value, "unit": threshold.unit, "system": UCUM, "code": threshold.unit}
    return {"type": concept("due.parameter").codeable | {"text": threshold.name}, "valueQuantity": quantity}


def _text(moment: datetime) -> str:
    return Moment.of(moment).text
