"""Theatre, and how a story ends: outcome, follow-up, a note, the sign-off."""

from .telling import Telling

_OPERATIONS = (
    (["examination-under-anaesthesia", "evacuation"], ["tissue"], 35),
    (["examination-under-anaesthesia", "repair"], ["tear"], 15),
    (["laparotomy", "compression-suture"], ["atony"], 25),
    (["laparotomy", "uterine-artery-ligation"], ["atony"], 10),
    (["laparotomy", "hysterectomy"], ["accreta"], 15),
)


def theatre(told: Telling) -> None:
    """Tell the decision for theatre, the operation, and the balloon taken out there if one is in."""
    told.add("decision", choice="theatre")
    told.wait(told.dice.whole(10, 70))
    done, found = told.dice.weighted([((done, found), weight) for done, found, weight in _OPERATIONS])
    told.add("surgery", procedures=done, findings=found, anaesthesia=told.dice.pick(("general", "regional")))
    told.bleed(350)
    told.add("blood-loss", method="canister", outlet="suction", volume_ml=500, other_fluid_ml=150)
    for _ in range(told.dice.whole(1, 5)):
        told.add("transfusion", product="red-cells", units=1, volume_ml=told.dice.whole(220, 340))
    told.wait(told.dice.whole(5, 40))
    ends = [one["kind"] for one in told.entries if one["kind"] in ("placement", "removal", "expulsion")]
    if ends and ends[-1] == "placement":
        told.add("removal", how="at-surgery", place="theatre")
    packs = sum(one["packs"] * (1 if one["action"] == "in" else -1) for one in told.entries if one["kind"] == "packing")
    if packs:
        told.add("packing", action="out", packs=packs)
    told.look("stopped")


def ended(told: Telling, *, died: bool = False) -> None:
    """Tell what became of her, and who closed the record."""
    dice = told.dice
    if not died and told.chance("complication"):
        told.add("complication", complication=dice.pick(("infection", "pain", "cervical-injury", "vaginal-injury")))
    if dice.chance(30):
        told.add("bladder", action="catheter-removed")
    if dice.chance(25):
        told.add("note", text=dice.pick(("Partner present.", "Breastfeeding begun.", "Debriefed with the team.")))
    if died:
        told.add("outcome", status="died", disposition="died", cardiac_arrest="yes")
        told.wait(dice.whole(10, 90))
        told.add("sign-off")
        return
    told.wait(dice.whole(12, 60) * 60)
    told.add(
        "outcome",
        status="alive",
        disposition="home" if dice.chance(92) else "other-facility",
        intensive_care="yes" if told.lost > 2500 else "no",
    )
    told.add("sign-off")
    if told.chance("followed-up"):
        told.wait(42 * 1440)
        told.add("follow-up", status="alive", day=42)
        told.add("sign-off")
