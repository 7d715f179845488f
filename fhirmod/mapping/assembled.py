"""What is built from several entries: the anchor Procedure, and for each balloon its use and its flag.

Nothing here depends on the clock; the same standing entries always give the same resources.
"""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from fhirmod.compute import Copy, Ledger, ledgers
from fhirmod.episode import Entry, Moment, Opening
from terminology import concept

from .meta import meta_of
from .urls import EPISODE_ID
from .writing import Context, Image

ASSEMBLED_FROM = frozenset(
    {
        "opening",
        "decision",
        "haemorrhage",
        "complication",
        "placement",
        "balloon-preparation",
        "removal",
        "expulsion",
        "outcome",
        "follow-up",
        "surgery",
        "transfer",
        "custody",
    }
)
_UNNAMED = {"display": "a balloon that no Device describes"}
ASSEMBLED_ID = re.compile(r"[A-Za-z0-9-]+\.(?:use|flag|due-[a-z-]+)")


def assembled(
    episode_id: str,
    standing: tuple[Entry, ...],
    roots: Mapping[str, str],
    context: Context,
    copy: Copy,
    *,
    own_anchor: bool = True,
) -> dict[str, Image]:
    """Return the assembled resources of an episode, by reference.

    Shape: `roots` leads from a standing entry's id to the id of the first entry of its chain; `own_anchor` is
           false where a partner's Procedure is the anchor, which is never written by us; a flag is active only on
           the custodian's `copy`.
    """
    balloons = list(ledgers(standing, {root: head for head, root in roots.items()}).balloons)
    made = [_anchor(episode_id, standing, roots, context, balloons)] if own_anchor else []
    for ledger in balloons:
        if ledger.opened.kind == "placement":
            made.append(_use(ledger, roots, context))
        made.append(_flag(ledger, roots, context, copy))
    return {image.reference: image for image in made}


def _anchor(
    episode_id: str,
    standing: tuple[Entry, ...],
    roots: Mapping[str, str],
    context: Context,
    balloons: list[Ledger],
) -> Image:
    anchor_id = context.anchor.removeprefix("Procedure/")
    body: dict[str, Any] = {
        "resourceType": "Procedure",
        "id": anchor_id,
        "meta": meta_of("anchor", context),
        "identifier": [{"system": EPISODE_ID, "value": episode_id}],
        "status": anchor_status(standing, balloons),
        "code": concept("anchor").codeable,
        "subject": {"reference": context.subject},
    }
    if context.encounter is not None:
        body["encounter"] = {"reference": context.encounter}
    period = _period(balloons[0].opened if balloons else None, _last_end(balloons))
    if period:
        body["performedPeriod"] = period
    for opening in [one for one in standing if isinstance(one, Opening)][-1:]:
        body["performer"] = [{"actor": context.facility(opening.facility)}]
    reasons = _conditions("haemorrhage", standing, roots, context)
    if reasons:
        body["reasonReference"] = reasons
    body["bodySite"] = [concept("site.uterine-cavity").codeable]
    complications = _conditions("complication", standing, roots, context)
    if complications:
        body["complicationDetail"] = complications
    return Image("Procedure", anchor_id, body)


def anchor_status(standing: tuple[Entry, ...], balloons: list[Ledger]) -> str:
    """Return the R4 event-status of the whole course.

    Shape: preparation before the first balloon; in-progress with one in place; completed once it was taken out;
           stopped if it came out by itself or at surgery, or she died with it; not-done if it was decided
           against before any was placed.
    """
    if not balloons:
        decisions = [getattr(entry, "choice", None) for entry in standing if entry.kind == "decision"]
        return "not-done" if decisions and decisions[-1] == "stop" else "preparation"
    last = balloons[-1]
    if last.end is None:
        return "in-progress"
    return "completed" if last.end[0] in ("removed", "pulled", "not-known") else "stopped"


def _use(ledger: Ledger, roots: Mapping[str, str], context: Context) -> Image:
    root = roots[ledger.id]
    end = ledger.end[1] if ledger.end is not None else ledger.superseded
    body: dict[str, Any] = {
        "resourceType": "DeviceUseStatement",
        "id": f"{root}.use",
        "meta": meta_of("device-use", context),
        "status": "active" if end is None else "completed",
        "subject": {"reference": context.subject},
        "derivedFrom": [{"reference": context.anchor}, *context.links(f"Procedure/{root}.placement")],
    }
    period = _period(ledger.opened, end)
    if period:
        body["timingPeriod"] = period
    prepared = getattr(ledger.opened, "preparation", None) or ledger.id
    used = context.links(f"Device/{roots.get(prepared, prepared)}.device")
    body["device"] = used[0] if used else _UNNAMED
    body["bodySite"] = concept("site.uterine-cavity").codeable
    return Image("DeviceUseStatement", f"{root}.use", body)


def _flag(ledger: Ledger, roots: Mapping[str, str], context: Context, copy: Copy) -> Image:
    """Return the flag that a balloon is in place: active while it is, and while custody is here."""
    root = roots[ledger.id]
    end = ledger.end[1] if ledger.end is not None else ledger.superseded
    kept = copy.word != "last-known"
    body: dict[str, Any] = {
        "resourceType": "Flag",
        "id": f"{root}.flag",
        "meta": meta_of("balloon-in-place", context),
        "status": "active" if end is None and kept else "inactive",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/flag-category",
                        "code": "safety",
                        "display": "Safety",
                    }
                ]
            }
        ],
        "code": concept("flag.balloon-in-place").codeable,
        "subject": {"reference": context.subject},
    }
    opened = ledger.opened if ledger.opened.kind == "placement" else None
    period = _period(opened, end)
    placed = ledger.opened.instant
    if end is None and isinstance(copy.left_at, datetime) and (placed is None or placed <= copy.left_at):
        period["end"] = Moment.of(copy.left_at).text
    if period:
        body["period"] = period
    if context.encounter is not None:
        body["encounter"] = {"reference": context.encounter}
    return Image("Flag", f"{root}.flag", body)


def _last_end(balloons: list[Ledger]) -> Entry | None:
    return balloons[-1].end[1] if balloons and balloons[-1].end is not None else None


def _period(start: Entry | None, end: Entry | None) -> dict[str, str]:
    period = {}
    if start is not None and isinstance(start.at, Moment):
        period["start"] = start.at.text
    if end is not None and isinstance(end.at, Moment) and _in_order(start, end):
        period["end"] = end.at.text
    return period


def _in_order(start: Entry | None, end: Entry) -> bool:
    """Return whether the end is not before the start, which R4 forbids (per-1); the entries keep what was said."""
    if start is None or start.span is None or end.span is None:
        return True
    return start.span[0] <= end.span[1]


def _conditions(
    kind: str, standing: tuple[Entry, ...], roots: Mapping[str, str], context: Context
) -> list[dict[str, str]]:
    return context.links(*(f"Condition/{roots[one.id]}.{kind}" for one in standing if one.kind == kind))
