"""The balloon: made ready, placed, filled until the bleeding stops or does not, and taken out."""

from typing import Any

from .telling import Telling

DEVICES = ("purpose-made", "improvised-condom-catheter", "improvised-condom-catheter", "improvised-other")


class Balloon:
    """One balloon of a story: the id of its placement and what it holds by the record."""

    def __init__(self, placement: str, retention_ml: int = 0) -> None:
        self.placement = placement
        self.cavity_ml = 0
        self.retention_ml = retention_ml


def placed(told: Telling) -> Balloon:
    """Tell how a balloon was made ready and placed, and return it, still empty."""
    dice = told.dice
    device = dice.pick(DEVICES)
    bought = device == "purpose-made"
    told.drain = bought or (told.chance("drain-lumen") and device == "improvised-other")
    facts: dict[str, Any] = {"device": device, "drain_lumen": "yes" if told.drain else "no"}
    if bought and told.chance("label-known"):
        facts["label_max_ml"] = 500
    latex = "no" if bought else "yes"
    told.add(
        "balloon-preparation", **facts, latex=latex, assembly_checked="yes", antisepsis="yes", latex_allergy_asked="yes"
    )
    if told.chance("attempt-failed"):
        told.add("placement-attempt", route="vaginal", obstacle="slipped out")
        told.wait(dice.whole(2, 10))
    used = told.chance("retention-used")
    placement = told.add(
        "placement",
        **facts,
        route="vaginal",
        method=dice.pick(("by-hand", "speculum-and-forceps")),
        position_confirmed="yes",
        retention="used" if used else "not-used",
    )
    balloon = Balloon(placement)
    if used:
        balloon.retention_ml = told.figure("retention")
        told.add("fill", compartment="retention", volume_ml=balloon.retention_ml, fluid="sodium-chloride-0.9")
    if told.chance("packs"):
        told.add("packing", action="in", packs=dice.whole(1, 2))
    return balloon


def filled(told: Telling, balloon: Balloon, *, holds: bool) -> None:
    """Tell the fills by syringe, and whether the bleeding answered."""
    dice = told.dice
    steps = max(3, told.figure("filled") // told.figure("syringe"))
    until = told.figure("minutes-to-stop")
    for number in range(steps):
        told.wait(1 if number * 2 < until or dice.chance(50) else 0)
        told.add("fill", volume_ml=told.figure("syringe"), fluid="sodium-chloride-0.9")
        balloon.cavity_ml += told.figure("syringe")
        if number == steps // 2 and holds and dice.chance(60):
            told.look("reduced")
    told.wait(dice.whole(0, 3))
    if not holds:
        told.look("not-stopped")
        return
    told.look("stopped" if told.chance("stopped-rather-than-reduced") else "reduced")
    if told.bleeding == "reduced":
        told.wait(dice.whole(3, 25))
        told.look("stopped")


def emptied(told: Telling, balloon: Balloon) -> None:
    """Tell the emptying of each compartment, a little less than went in, and the removal."""
    out = max(0, balloon.cavity_ml - told.dice.whole(0, 12))
    told.add("withdrawal", volume_ml=out, purpose="emptying")
    if balloon.retention_ml:
        told.add("withdrawal", compartment="retention", volume_ml=balloon.retention_ml, purpose="emptying")
    balloon.cavity_ml = 0
    told.wait(told.dice.whole(0, 3))
    ready = "yes" if told.dice.chance(85) else "no"
    told.add("removal", how="removed", senior_present="yes", theatre_ready=ready, blood_ready=ready, iv_access="yes")
    packs = sum(one["packs"] * (1 if one["action"] == "in" else -1) for one in told.entries if one["kind"] == "packing")
    if packs:
        told.add("packing", action="out", packs=packs)


def tried(told: Telling, balloon: Balloon, *, returns: bool) -> None:
    """Tell a deflation trial: part of the volume out, a watch, and what was seen."""
    step = min(told.figure("trial-step"), balloon.cavity_ml)
    told.add("withdrawal", volume_ml=step, purpose="trial")
    balloon.cavity_ml -= step
    minutes = told.figure("trial-watch")
    told.wait(minutes // 2)
    told.vital_signs(mental_state="alert")
    told.wait(minutes - minutes // 2)
    told.look("returned" if returns else "stopped")
    told.add("deflation-trial", step="end", result="bleeding-returned" if returns else "no-bleeding-seen")
    if returns:
        told.wait(told.dice.whole(1, 6))
        told.add("fill", volume_ml=step, fluid="sodium-chloride-0.9")
        balloon.cavity_ml += step
        told.bleed(told.dice.whole(100, 350))
        told.wait(told.dice.whole(2, 10))
        told.look("stopped")
