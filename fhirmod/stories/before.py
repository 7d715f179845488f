"""What happens before the balloon: the birth, the bleeding, the help, the drugs, the decision."""

from decimal import Decimal

from .telling import Telling

_CAUSES = ((["tone"], 68), (["tone", "tissue"], 12), (["trauma"], 6), (["tone", "thrombin"], 4), (["tissue"], 10))
_UTEROTONICS = (
    ("oxytocin", 5, "[IU]", "intravenous"),
    ("ergometrine", 200, "ug", "intramuscular"),
    ("misoprostol", 800, "ug", "sublingual"),
    ("carboprost", 250, "ug", "intramuscular"),
)
_MANOEUVRES = ("uterine-massage", "bimanual-compression", "aortic-compression", "manual-exploration")


def birth(told: Telling) -> None:
    """Tell who she is, the birth of each baby, and how the babies are."""
    dice = told.dice
    babies = 2 if told.chance("twins") else 1
    mode = (
        "caesarean" if told.chance("caesarean") else dice.pick(("vaginal", "vaginal", "vaginal", "vacuum", "forceps"))
    )
    told.add(
        "background",
        level_of_care=dice.pick(("primary", "secondary", "tertiary")),
        age_years=told.figure("age"),
        parity=dice.whole(0, 6),
        babies=babies,
        gestation_days=told.figure("gestation"),
        haemoglobin_before_g_dl=Decimal(told.figure("haemoglobin-before")).scaleb(-1),
        weight_kg=told.figure("weight"),
        hypertension="yes" if dice.chance(8) else "no",
        asthma="yes" if dice.chance(4) else "no",
        latex_allergy="yes" if dice.chance(1) else "no",
    )
    for baby in range(1, babies + 1):
        told.add("birth", baby=baby, mode=mode, place="facility")
        told.wait(dice.whole(0, 9))
    for baby in range(1, babies + 1):
        told.add("newborn", baby=baby, status="alive" if dice.chance(97) else "stillborn")


def bleeding(told: Telling) -> None:
    """Tell how the haemorrhage was recognised, measured and first treated."""
    dice = told.dice
    told.wait(told.figure("birth-to-recognition"))
    total = told.figure("loss-before")
    told.add("haemorrhage", causes=dice.weighted(_CAUSES))
    told.add("help", step="called", role="doctor")
    drape = total * dice.whole(40, 70) // 100
    told.bleed(drape)
    told.add(
        "blood-loss", reading="collector-total", method="drape", collector="drape", outlet="around", volume_ml=drape
    )
    told.vital_signs()
    told.wait(dice.whole(1, 5))
    told.add("help", step="arrived", role="doctor")
    first_line(told)
    told.bleed(total - drape)
    _further_loss(told, total - drape)
    told.vital_signs(mental_state="alert")
    if told.lost > 1500 and dice.chance(60):
        told.add(
            "laboratory",
            haemoglobin_g_dl=dice.tenths(55, 78, 110),
            platelets_10e9_l=dice.whole(60, 260),
            fibrinogen_g_l=dice.tenths(10, 25, 45),
        )
    told.wait(told.figure("recognition-to-decision") // 2)


def first_line(told: Telling) -> None:
    """Tell the drugs, the infusion, the fluids, the bladder and what was done by hand."""
    dice = told.dice
    told.add("manoeuvre", manoeuvre=dice.pick(_MANOEUVRES))
    for drug, dose, unit, route in _UTEROTONICS[: dice.whole(1, 3)]:
        told.wait(dice.whole(0, 4))
        told.add("medication", drug=drug, dose={"value": dose, "unit": unit}, route=route)
    told.add(
        "infusion",
        infusion="oxytocin 1",
        step="start",
        drug="oxytocin",
        amount={"value": 40, "unit": "[IU]"},
        bag_ml=1000,
        rate={"value": 125, "unit": "mL/h"},
    )
    if told.chance("txa-given"):
        told.wait(dice.whole(0, 6))
        gram = {"value": told.figure("txa-dose"), "unit": "g"}
        told.add("medication", drug="tranexamic-acid", dose=gram, route="intravenous")
    told.add("bladder", action="catheter-placed", volume_ml=dice.whole(5, 60) * 10)
    told.add("fluid", fluid=dice.pick(("ringer-lactate", "sodium-chloride-0.9")), volume_ml=dice.pick((500, 1000)))


def decision(told: Telling) -> None:
    """Tell what was in place, what she said to it, and the decision."""
    dice = told.dice
    answers = {
        name: "yes" if dice.chance(percent) else "no"
        for name, percent in (
            ("surgery_reachable", 70),
            ("blood_reachable", 75),
            ("first_line_done", 95),
            ("other_causes_excluded", 85),
            ("trained_operator", 90),
            ("monitoring_possible", 95),
        )
    }
    told.add("conditions", **answers)
    if told.chance("refuses-blood"):
        told.add("consent", answer="refused", scope="blood-products", refused_products=["all-blood-products"])
    told.add("consent", answer="given" if dice.chance(75) else "emergency", scope="balloon")
    told.add("decision", choice="balloon")
    told.wait(told.figure("decision-to-placement"))


def _further_loss(told: Telling, volume_ml: int) -> None:
    if told.dice.chance(60):
        items = told.dice.whole(3, 12)
        told.add(
            "blood-loss", method="weighed", weighed={"wet_g": volume_ml + 20 * items, "dry_g_each": 20, "items": items}
        )
    else:
        told.add("blood-loss", method="visual", outlet="clots", volume_ml=volume_ml // 50 * 50)
