"""What would stop a hand: refusals, allergies, conditions, causes, and whether tears and tissue were looked for."""

from collections.abc import Iterable
from dataclasses import dataclass

from fhirmod.episode import Absent, Background, Consent, Entry, Examination, Haemorrhage, Surgery

from .view import View
from .why import Why, why


@dataclass(frozen=True, slots=True)
class Stops:
    """The facts of the sixth line.

    Shape: each word is the newest answer recorded, or why there is none; `refused_products` names products.
    """

    consent: dict[str, str]
    refused_products: tuple[str, ...]
    refuses_blood: str
    allergies: str
    latex_allergy: str
    hypertension: str
    asthma: str
    coagulopathy: str
    beta_blocker: str
    causes: tuple[str, ...]
    tears: str
    tissue: str


def stops(view: View) -> Stops:
    """Return what would stop a hand, as recorded.

    Units:  none.
    Errors: none.
    Source: sources.PRACTICE (which facts).
    """
    consents = view.all(Consent)
    answers: dict[str, str] = {one.scope or "not-stated": _word(one.answer) for one in consents}
    products = tuple(sorted({name for one in consents for name in one.refused_products}))
    background = view.all(Background)
    looks: list[Entry] = [*view.all(Examination), *view.all(Surgery)]
    causes = {cause for one in view.all(Haemorrhage) for cause in one.causes}
    return Stops(
        consent=answers,
        refused_products=products,
        refuses_blood=_refuses(answers, products),
        allergies=_newest(background, "allergies"),
        latex_allergy=_newest(background, "latex_allergy"),
        hypertension=_newest(background, "hypertension"),
        asthma=_newest(background, "asthma"),
        coagulopathy=_newest(background, "coagulopathy"),
        beta_blocker=_newest(background, "beta_blocker"),
        causes=tuple(sorted(causes)),
        tears=_found(looks, "tears", "tear"),
        tissue=_found(looks, "tissue", "tissue"),
    )


def _refuses(answers: dict[str, str], products: tuple[str, ...]) -> str:
    if products:
        return "yes"
    said = answers.get("blood-products", answers.get("all"))
    return {"refused": "yes", "given": "no"}.get(said or "", said or Why.NOT_RECORDED)


def _newest(entries: Iterable[Entry], name: str) -> str:
    """Return the newest recorded value or reason of a field."""
    values = [value for one in entries if (value := getattr(one, name)) is not None]
    return _word(values[-1]) if values else Why.NOT_RECORDED


def _found(looks: Iterable[Entry], name: str, finding: str) -> str:
    """Return found, not-found, or why not: from examinations and from what surgery found."""
    words = []
    for one in looks:
        if isinstance(one, Surgery):
            words += ["found"] if finding in one.findings else []
        elif (value := getattr(one, name)) is not None:
            words.append(_word(value))
    if "found" in words:
        return "found"
    return words[-1] if words else Why.NOT_RECORDED


def _word(value: object) -> str:
    return why(value) if isinstance(value, Absent) else str(value)
