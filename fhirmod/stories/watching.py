"""The watch while a balloon is in: rounds kept, missed or partial, urine, drain, drugs that go on."""

from .telling import Telling

_STEPS = ((15, 4), (30, 2))
_LATER = 3


def watched(told: Telling, hours: int) -> None:
    """Tell the rounds of so many hours: close at first, wider later."""
    until = told.minute + hours * 60
    for every, rounds in _STEPS:
        for _ in range(rounds):
            if told.minute + every < until:
                _round(told, every)
    _ongoing(told)
    rest = until - told.minute
    for _ in range(_LATER if rest > 0 else 0):
        _round(told, max(10, rest // _LATER))


def _round(told: Telling, every: int) -> None:
    told.wait(every + told.dice.whole(-2, 4))
    if told.chance("round-missed"):
        if told.dice.chance(30):
            told.add("acknowledgement", finding="no-full-round")
        return
    if told.chance("round-partial"):
        told.vital_signs()
        return
    told.full_round()
    if told.dice.chance(20):
        told.add("urine", volume_ml=told.dice.whole(2, 16) * 10, over_min=60)
    if told.drain and told.dice.chance(35):
        told.drained += told.dice.whole(0, 6) * 10
        told.add(
            "blood-loss",
            reading="collector-total",
            method="other",
            outlet="drain",
            collector="drain bag",
            volume_ml=told.drained,
        )


def _ongoing(told: Telling) -> None:
    """Tell what goes on after the first hours: second dose, pads, blood, antibiotics, the laboratory."""
    dice = told.dice
    if told.chance("txa-second"):
        told.add("medication", drug="tranexamic-acid", dose={"value": 1, "unit": "g"}, route="intravenous")
    volume = told.figure("loss-after")
    told.bleed(volume)
    told.add("blood-loss", method="weighed", outlet="around", volume_ml=volume)
    if told.lost > 1200 and told.chance("transfused"):
        for _ in range(dice.whole(1, 4)):
            told.add("transfusion", product="red-cells", units=1, volume_ml=dice.whole(220, 340))
            told.wait(dice.whole(5, 30))
    told.add(
        "medication", drug=dice.pick(("ampicillin", "cefazolin")), dose={"value": 2, "unit": "g"}, route="intravenous"
    )
    if dice.chance(50):
        told.add("laboratory", haemoglobin_g_dl=dice.tenths(58, 82, 112), lactate_mmol_l=dice.tenths(8, 18, 60))
    told.add("infusion", infusion="oxytocin 1", step="stop")
