"""Rules about what stands behind a balloon: the conditions for it, and causes looked for and found."""

from fhirmod import sources
from fhirmod.compute import when
from fhirmod.episode import (
    Conditions,
    Decision,
    Examination,
    Manoeuvre,
    Placement,
    Removal,
    Surgery,
    Transfer,
)
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import clock, listed

_CONDITIONS = {
    "surgery_reachable": "surgery within reach",
    "blood_reachable": "blood within reach",
    "first_line_done": "first-line care done",
    "other_causes_excluded": "other causes excluded",
    "trained_operator": "a trained operator",
    "monitoring_possible": "monitoring",
}


@rule("conditions-not-met", "soon", "warning", source=sources.WHO_2021)
def conditions_not_met(facts: Facts) -> Told:
    """A condition for a balloon recorded as not met with one in place, and no decision, transfer or operation since."""
    newest: dict[str, Conditions] = {}
    for said in facts.all(Conditions):
        newest |= {name: said for name in _CONDITIONS if getattr(said, name) is not None}
    lacking = [name for name, said in newest.items() if getattr(said, name) == "no"]
    if not lacking or not facts.live or not any(one.in_place for one in facts.balloons):
        return
    first = min((newest[name] for name in lacking), key=when)
    on = [one for one in facts.all(Decision) if one.choice in ("transfer", "theatre") and when(one) >= when(first)]
    if not on and facts.first_since(when(first), (Transfer, Surgery)) is None:
        yield (
            at(first, lacking[0]),
            (
                f"{listed(_CONDITIONS[name] for name in lacking)} recorded as not met at {clock(when(first), facts)} "
                "with a balloon in place; no decision, transfer or operation is recorded since."
            ),
        )


@rule("found-not-treated", "soon", "warning", source=sources.PRACTICE)
def found_not_treated(facts: Facts) -> Told:
    """A tear or retained tissue recorded as found, and no repair, evacuation or decision recorded since."""
    for seen in facts.all(Examination) if facts.live else ():
        since = when(seen)
        if facts.first_since(since, (Surgery,)) is not None or _decided(facts, seen):
            continue
        done = {one.manoeuvre for one in facts.all(Manoeuvre) if when(one) >= since}
        left = [name for name, answers in _ANSWERED_BY.items() if getattr(seen, name) == "found" and not done & answers]
        if left:
            yield (
                at(seen, left[0]),
                (
                    f"{listed(left)} recorded as found at {clock(since, facts)}; no repair, evacuation or "
                    "decision is recorded since. A balloon does not treat them."
                ),
            )


# what is recorded of a finding: common practice, no published source
_ANSWERED_BY = {
    "tears": frozenset({"repair-of-perineum", "repair-of-vagina", "repair-of-cervix", "other"}),
    "tissue": frozenset({"manual-removal-of-placenta", "manual-exploration", "other"}),
}


def _decided(facts: Facts, seen: Examination) -> bool:
    return any(one.choice in ("theatre", "transfer") and when(one) >= when(seen) for one in facts.all(Decision))


@rule("causes-not-looked-for", "review", "information", source=sources.PRACTICE)
def causes_not_looked_for(facts: Facts) -> Told:
    """A balloon used, and no look for tears or for retained tissue recorded."""
    looked = facts.all(Examination)
    missing = [name for name in ("tears", "tissue") if not any(getattr(one, name) is not None for one in looked)]
    if not missing or not facts.balloons or facts.all(Surgery):
        return
    yield (
        Place(facts.balloons[0].placement, missing[0]),
        f"A balloon was used, and no look for {listed(missing)} is recorded.",
    )


@rule("conditions-not-recorded", "review", "information", source=sources.WHO_2021)
def conditions_not_recorded(facts: Facts) -> Told:
    """A balloon placed, and nothing recorded of surgery and blood within reach."""
    known = [
        one for one in facts.all(Conditions) if one.surgery_reachable is not None and one.blood_reachable is not None
    ]
    placed = [one for one in facts.all(Placement) if one.elsewhere is None]
    if placed and not known:
        yield (
            at(placed[0], "id"),
            "A balloon is recorded as placed; whether surgery and blood were within reach is not recorded.",
        )


@rule("removal-way-not-recorded", "review", "information", source=sources.PRACTICE)
def removal_way_not_recorded(facts: Facts) -> Told:
    """A balloon out, and how it came out not known."""
    for one in facts.all(Removal):
        if one.how is None or not isinstance(one.how, str):
            yield at(one, "how"), f"The removal {one.id} does not say how the balloon came out."
