"""The three invented scenarios whose numbers were worked out by hand and by script outside this project."""

from tests.compute.case import Case


def straightforward() -> Case:
    """Return scenario 1: recorded live, improvised balloon, no drain lumen, no label."""
    case = Case()
    case.at("02:10", "birth", mode="vaginal")
    case.at("02:30", "blood-loss", reading="collector-total", method="drape", collector="drape", volume_ml=450)
    case.at("02:35", "medication", drug="tranexamic-acid", dose={"value": 1, "unit": "g"}, route="intravenous")
    case.at("02:40", "blood-loss", reading="collector-total", method="drape", collector="drape", volume_ml=800)
    case.at("02:42", "blood-loss", method="weighed", weighed={"wet_g": 420, "dry_g_each": 20, "items": 6})
    case.at("02:43", "blood-loss", method="visual", volume_ml=200)
    case.at("02:44", "decision", choice="balloon")
    case.at("02:45", "vital-signs", pulse_per_min=124, systolic_mmhg=92, diastolic_mmhg=50)
    case.at("02:50", "placement", device="improvised-condom-catheter", drain_lumen="no", retention="used")
    case.at("02:50", "fill", compartment="retention", volume_ml=15)
    for minute in range(52, 58):
        case.at(f"02:{minute}", "fill", volume_ml=50)
    case.at("02:56", "bleeding-response", response="reduced")
    case.at("02:59", "bleeding-response", response="stopped")
    for clock in ("03:00", "03:15", "03:30", "03:52"):
        case.round(clock)
    case.at("04:10", "vital-signs", pulse_per_min=96)
    case.round("04:30")
    case.round("04:45", pulse=98, systolic=108, diastolic=64)
    case.at("05:00", "blood-loss", method="weighed", outlet="around", volume_ml=60)
    case.at("11:00", "withdrawal", volume_ml=75, purpose="trial")
    case.at("11:45", "bleeding-response", response="stopped")
    case.at("11:45", "deflation-trial", step="end", result="no-bleeding-seen")
    case.at("11:50", "withdrawal", volume_ml=210, purpose="emptying")
    case.at("11:51", "withdrawal", compartment="retention", volume_ml=15, purpose="emptying")
    case.at("11:52", "removal", how="removed")
    return case


def transferred() -> Case:
    """Return scenario 2: caesarean, drain lumen, label 500, transfer, bleeding returns, theatre."""
    case = Case()
    case.at("13:05", "birth", mode="caesarean")
    case.at("13:10", "infusion", infusion="oxytocin 1", step="start", drug="oxytocin")
    case.at("13:20", "blood-loss", method="canister", outlet="suction", volume_ml=900, other_fluid_ml=350)
    case.at("13:25", "blood-loss", method="weighed", weighed={"wet_g": 600, "dry_g_each": 20, "items": 10})
    case.at(
        "13:40", "placement", device="purpose-made", route="through-incision", label_max_ml=500, drain_lumen="yes",
        retention="none",
    )  # fmt: skip
    case.at("13:45", "packing", action="in", packs=2)
    case.at("13:55", "fill", volume_ml=280)
    case.round("14:00", look="reduced")
    for clock in ("14:15", "14:30", "14:45", "15:00", "15:15"):
        case.round(clock, look="reduced")
    drain = {"reading": "collector-total", "method": "other", "outlet": "drain", "collector": "drain bag"}
    case.at("15:00", "blood-loss", volume_ml=120, **drain)
    case.round("15:20", look="reduced")
    case.at("15:20", "transfer", step="departed")
    case.at("16:45", "transfer", step="arrived")
    case.round("16:50", look="reduced")
    case.at("16:50", "blood-loss", volume_ml=180, **drain)
    case.at("17:00", "blood-loss", emptied=True, **drain)
    case.at(
        "17:05", "custody", answer="accepted", performed_by={"id": "reg-1", "role": "registrar"},
        facility={"id": "receiver"},
    )  # fmt: skip
    case.at("17:30", "bleeding-response", response="stopped")
    case.at("19:00", "blood-loss", volume_ml=40, **drain)
    case.at("+1 07:00", "withdrawal", volume_ml=140, purpose="trial")
    case.at("+1 07:25", "bleeding-response", response="returned")
    case.at(
        "+1 07:25",
        "vital-signs",
        pulse_per_min=112,
        systolic_mmhg=118,
        diastolic_mmhg=70,
        mental_state="alert",
    )
    case.at("+1 07:28", "fill", volume_ml=140)
    case.at("+1 07:30", "decision", choice="theatre")
    case.at("+1 07:35", "blood-loss", method="weighed", outlet="around", volume_ml=300)
    case.at("+1 08:05", "surgery", procedures=["examination-under-anaesthesia", "evacuation"], findings=["tissue"])
    case.at("+1 08:10", "blood-loss", method="canister", outlet="suction", volume_ml=350)
    case.at("+1 08:20", "removal", how="at-surgery")
    case.at("+1 08:20", "packing", action="out", packs=1)
    case.at("+1 08:40", "packing", action="out", packs=1)
    return case


def expelled() -> Case:
    """Return scenario 3: the first balloon is expelled, a second one holds."""
    case = Case()
    case.at("20:00", "birth", mode="vaginal")
    first = case.at("20:40", "placement", retention="not-used")
    for minute in range(43, 47):
        case.at(f"20:{minute}", "fill", volume_ml=50, placement=first)
    case.at("20:48", "bleeding-response", response="stopped")
    case.at("21:25", "expulsion", placement=first)
    case.at("21:25", "bleeding-response", response="returned")
    case.at("21:25", "blood-loss", method="weighed", volume_ml=350)
    second = case.at("21:35", "placement", label_max_ml=500, retention="not-used")
    case.at("21:36", "packing", action="in", packs=1)
    for minute in range(39, 47):
        case.at(f"21:{minute}", "fill", volume_ml=50, placement=second)
    case.at("21:47", "bleeding-response", response="stopped")
    case.at("+1 09:34", "withdrawal", volume_ml=395, purpose="emptying")
    case.at("+1 09:35", "removal", how="removed")
    case.at("+1 09:35", "packing", action="out", packs=1)
    return case
