"""How a story goes on once the balloon is filled: one function for each course of the table in `figures`."""

from collections.abc import Callable

from .balloon import Balloon, emptied, filled, placed, tried
from .before import birth, bleeding, decision
from .ending import ended, theatre
from .telling import FACILITIES, Telling
from .watching import watched


def _until_filled(told: Telling, *, holds: bool = True) -> Balloon:
    birth(told)
    bleeding(told)
    decision(told)
    balloon = placed(told)
    filled(told, balloon, holds=holds)
    return balloon


def _let_down(told: Telling, balloon: Balloon) -> None:
    tried(told, balloon, returns=False)
    told.wait(told.dice.whole(1, 15))
    emptied(told, balloon)
    watched(told, 2)


def held(told: Telling) -> None:
    """Tell a balloon that holds and is let down in a trial."""
    balloon = _until_filled(told)
    watched(told, told.figure("dwell"))
    _let_down(told, balloon)
    ended(told)


def removed_directly(told: Telling) -> None:
    """Tell a balloon that holds and is taken out without a trial."""
    balloon = _until_filled(told)
    watched(told, told.figure("dwell"))
    emptied(told, balloon)
    ended(told)


def bled_in_trial(told: Telling) -> None:
    """Tell a trial in which bleeding returned, and another, or theatre."""
    balloon = _until_filled(told)
    watched(told, told.figure("dwell"))
    tried(told, balloon, returns=True)
    told.add("examination", under_anaesthesia="no", position="in-place", tears="not-found", tissue="not-found")
    if told.dice.chance(40):
        theatre(told)
    else:
        watched(told, 6)
        _let_down(told, balloon)
    ended(told)


def expelled(told: Telling) -> None:
    """Tell a balloon that came out by itself, and a second one that holds, or theatre."""
    first = _until_filled(told)
    told.wait(told.figure("held-before-expulsion"))
    told.add("expulsion", placement=first.placement)
    told.look("returned")
    volume = told.dice.whole(15, 45) * 10
    told.bleed(volume)
    told.add("blood-loss", method="weighed", outlet="around", volume_ml=volume)
    told.wait(told.dice.whole(3, 15))
    if told.dice.chance(65):
        second = placed(told)
        filled(told, second, holds=True)
        watched(told, told.figure("dwell"))
        _let_down(told, second)
    else:
        theatre(told)
    ended(told)


def not_controlled(told: Telling) -> None:
    """Tell a balloon that did not hold, and theatre."""
    _until_filled(told, holds=False)
    told.add(
        "examination", under_anaesthesia="no", position="in-place", tears="not-found", tissue={"absent": "not-known"}
    )
    told.bleed(told.dice.whole(300, 900))
    told.vital_signs(mental_state="alert", nurse_concern="yes")
    told.wait(told.dice.whole(3, 25))
    theatre(told)
    ended(told)


def sent_on(told: Telling) -> None:
    """Tell a woman sent on with the balloon in place."""
    balloon = _until_filled(told)
    watched(told, 1)
    there = FACILITIES[2]
    told.add("decision", choice="transfer")
    told.add("transfer", step="decided", to_facility=there)
    told.wait(told.dice.whole(2, 15))
    told.add("transfer", step="called", to_facility=there)
    told.wait(told.dice.whole(10, 60))
    told.add("transfer", step="departed", to_facility=there, escort="midwife-1")
    journey = told.figure("journey")
    told.wait(journey // 2)
    told.vital_signs(mental_state="alert")
    told.wait(journey - journey // 2)
    told.add("transfer", step="arrived", to_facility=there)
    told.wait(told.dice.whole(2, 25))
    told.add("custody", answer="accepted", facility=there)
    watched(told, told.figure("dwell"))
    _let_down(told, balloon)
    ended(told)


def arrived(told: Telling) -> None:
    """Tell a woman who arrives with somebody else's balloon: what is in it was told, not seen."""
    told.lost = told.figure("loss-before")
    told.add("custody", answer="accepted", facility=FACILITIES[1])
    placement = told.add(
        "placement",
        at={"absent": "not-known", "why": "placed before arrival"},
        at_source="recalled",
        elsewhere="other-facility",
        retention={"absent": "not-known"},
        drain_lumen={"absent": "not-known"},
    )
    balloon = Balloon(placement)
    balloon.cavity_ml = told.dice.whole(4, 9) * 50
    how = told.dice.pick(("told", "paper"))
    certainty = told.dice.pick(("known", "at-least"))
    told.add("volume-stated", placement=placement, volume_ml=balloon.cavity_ml, how=how, certainty=certainty)
    told.add("blood-loss", reading="stated-total", method="other", volume_ml=told.lost // 50 * 50)
    told.add("birth", mode="vaginal", place=told.dice.pick(("home", "on-the-way", "other")))
    told.look("stopped")
    watched(told, told.figure("dwell"))
    _let_down(told, balloon)
    ended(told)


def leaked(told: Telling) -> None:
    """Tell a balloon that leaked: what it holds is not known afterwards."""
    balloon = _until_filled(told)
    watched(told, 2)
    problem = told.dice.pick(("leak", "unmeasured-drainage", "displaced", "unintended-deflation"))
    told.add("device-problem", problem=problem, placement=balloon.placement)
    told.wait(told.dice.whole(1, 9))
    told.add("fill", volume_ml=50, resistance="no")
    balloon.cavity_ml += 50
    watched(told, told.figure("dwell"))
    told.add("withdrawal", purpose="emptying")
    told.wait(2)
    told.add("removal", how="removed")
    ended(told)


def died(told: Telling) -> None:
    """Tell a death in spite of everything."""
    _until_filled(told, holds=False)
    told.bleed(told.dice.whole(900, 1800))
    told.vital_signs(mental_state="voice")
    told.wait(told.dice.whole(2, 15))
    theatre(told)
    told.add("complication", complication="coagulopathy")
    told.wait(told.dice.whole(10, 120))
    told.add("complication", complication="cardiac-arrest")
    told.wait(told.dice.whole(10, 40))
    ended(told, died=True)


TOLD: dict[str, Callable[[Telling], None]] = {
    "held": held,
    "removed-directly": removed_directly,
    "bled-in-trial": bled_in_trial,
    "expelled": expelled,
    "not-controlled": not_controlled,
    "sent-on": sent_on,
    "arrived": arrived,
    "leaked": leaked,
    "died": died,
}
