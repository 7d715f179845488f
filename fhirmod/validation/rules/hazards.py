"""Rules about what does not go together: allergies and conditions with what was given, and refusals."""

from collections.abc import Iterator

from fhirmod import sources
from fhirmod.compute import when
from fhirmod.episode import (
    Absent,
    Background,
    BalloonPreparation,
    Consent,
    Entry,
    Infusion,
    Medication,
    Placement,
    Transfusion,
    VitalSigns,
)
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import clock

_ERGOT = ("ergometrine", "methylergometrine")


@rule("conflict", "now", "warning", source=sources.PRACTICE)
def conflict(facts: Facts) -> Told:
    """What was given against what is recorded: latex, ergot with hypertension, carboprost with asthma, refusals."""
    yield from _latex(facts)
    yield from _drugs(facts)
    yield from _refused(facts)


def _latex(facts: Facts) -> Iterator[tuple[Place, str]]:
    """A latex allergy ends when the balloon is out; a condom of unstated material counts as latex."""
    if _said(facts, "latex_allergy") != "yes":
        return
    holding = {one.placement for one in facts.balloons if one.in_place}
    used = {one.preparation for one in facts.all(Placement)}
    held: list[Placement | BalloonPreparation] = [one for one in facts.all(Placement) if one.id in holding]
    if not facts.balloons:
        held += [one for one in facts.all(BalloonPreparation) if one.id not in used]
    for one in held:
        facts_of = next((b.facts for b in facts.balloons if b.placement == one.id), None)
        latex = str(facts_of["latex"]) if facts_of else _answer(one.latex)
        device = str(facts_of["device"]) if facts_of else one.device
        if latex == "yes" or (latex != "no" and device == "improvised-condom-catheter"):
            yield (
                at(one, "latex"),
                (
                    f"A latex allergy is recorded, and the balloon recorded at {clock(when(one), facts)} holds latex "
                    "or does not say that it holds none."
                ),
            )


def _drugs(facts: Facts) -> Iterator[tuple[Place, str]]:
    """A drug given is answered by what it can change, recorded after it."""
    for drugs, condition, fields, what in (
        (_ERGOT, "hypertension", ("systolic_mmhg",), "blood pressure"),
        (("carboprost",), "asthma", ("respiratory_rate_per_min", "spo2_percent"), "breathing rate or saturation"),
    ):
        if _said(facts, condition) != "yes":
            continue
        for one in _given(facts, drugs):
            after = [s for s in facts.all(VitalSigns) if when(s) > when(one)]
            if not any(getattr(signs, name) is not None for signs in after for name in fields):
                yield (
                    at(one, "drug"),
                    (
                        f"{one.drug} is recorded as given at {clock(when(one), facts)} and {condition} is recorded as "
                        f"present; no {what} is recorded since."
                    ),
                )


def _given(facts: Facts, drugs: tuple[str, ...]) -> list[Medication | Infusion]:
    given: list[Medication | Infusion] = [one for one in facts.all(Medication) if one.drug in drugs and one.given]
    return given + [one for one in facts.all(Infusion) if one.drug in drugs and one.step == "start"]


def _refused(facts: Facts) -> Iterator[tuple[Place, str]]:
    """A product given after its refusal is answered by a later consent to it."""
    for given in facts.all(Transfusion):
        said = [one for one in facts.all(Consent) if _about_blood(one)]
        before = [one for one in said if when(one) <= when(given)]
        after = [one for one in said if when(one) > when(given)]
        if not before or not _refuses(before[-1], given.product):
            continue
        if after and not _refuses(after[-1], given.product) and after[-1].answer == "given":
            continue
        yield (
            at(given, "product"),
            (
                f"{given.product} is recorded as given at {clock(when(given), facts)}, and a refusal of it is "
                f"recorded at {clock(when(before[-1]), facts)}; no later consent is recorded."
            ),
        )


def _about_blood(consent: Consent) -> bool:
    return bool(consent.refused_products) or consent.scope in ("blood-products", "all")


def _refuses(consent: Consent, product: str) -> bool:
    named = consent.refused_products
    return product in named or "all-blood-products" in named or (not named and consent.answer == "refused")


@rule("balloon-refused", "soon", "warning", source=sources.PRACTICE)
def balloon_refused(facts: Facts) -> Told:
    """A balloon placed after its refusal, with no later consent recorded."""
    for placed in facts.all(Placement):
        said = [one for one in facts.all(Consent) if one.scope in ("balloon", "all")]
        before = [one for one in said if when(one) <= when(placed)]
        later = [one for one in said if when(one) > when(placed) and one.answer in ("given", "emergency")]
        if before and before[-1].answer == "refused" and not later:
            yield (
                at(placed, "id"),
                (
                    f"A balloon is recorded as placed at {clock(when(placed), facts)}, and a refusal of it at "
                    f"{clock(when(before[-1]), facts)}; no later consent is recorded."
                ),
            )


@rule("latex-allergy-not-asked", "review", "information", source=sources.PRACTICE)
def latex_allergy_not_asked(facts: Facts) -> Told:
    """A balloon in place or used, and no answer about a latex allergy recorded."""
    if _said(facts, "latex_allergy") in ("yes", "no"):
        return
    asked = any(one.latex_allergy_asked == "yes" for one in facts.all(BalloonPreparation))
    for one in facts.balloons[:1]:
        if not asked and one.facts["latex"] != "no":
            yield Place(one.placement, "latex"), "No answer about a latex allergy is recorded, and a balloon was used."


def _said(facts: Facts, name: str) -> str:
    """Return the newest answer about a condition, or "" where none is recorded."""
    said = [value for one in facts.all(Background) if (value := getattr(one, name)) is not None]
    return _answer(said[-1]) if said else ""


def _answer(value: object) -> str:
    return "" if value is None or isinstance(value, Absent | Entry) else str(value)
