"""How the catalogue of rules reads in a terminal: one rule after another, or one in full."""

import json
from collections.abc import Iterator
from textwrap import wrap

from fhirmod.errors import NotFoundError
from fhirmod.validation import Rule, catalogue

WIDTH = 80
_HEADS = {
    "now": "now     may interrupt",
    "soon": "soon    is listed",
    "review": "review  appears at sign-off, export and in the registry",
}


def chosen(rule: str | None, tier: str | None) -> list[Rule]:
    """Return the rules asked for: one by its id, those of a tier, or all.

    Errors: NotFoundError if no rule has this id.
    """
    found = [one for one in catalogue() if rule in (None, one.id) and tier in (None, one.tier)]
    if not found:
        among = "" if tier is None else f" in the tier {tier}"
        raise NotFoundError(f"There is no rule {rule!r}{among}; `fhirmod rules` lists them all.")
    return found


def listing(rules: list[Rule]) -> Iterator[str]:
    """Return the rules by tier, each with its words."""
    tier = ""
    for one in rules:
        if one.tier != tier:
            if tier:
                yield ""
            tier = one.tier
            yield _HEADS[tier]
        yield f"  {one.id}"
        yield from wrap(one.text, WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 6)
    yield ""
    yield from wrap(f"{len(rules)} rules. They state what the record shows, and warn; none of them refuses.", WIDTH)


def in_full(one: Rule) -> Iterator[str]:
    """Return everything about one rule."""
    yield one.id
    parameters = ", ".join(one.parameters) or "none; nothing of it is set by a site"
    for name, text in (
        ("says", one.text),
        ("tier", " ".join(_HEADS[one.tier].split())),
        ("severity", one.severity),
        ("source", one.source.marked),
        ("parameters", parameters),
    ):
        yield from wrap(text, WIDTH, initial_indent=f"  {name:<11}", subsequent_indent=" " * 13)


def as_json(one: Rule) -> str:
    """Return a rule as one line for a program."""
    return json.dumps(
        {
            "id": one.id,
            "tier": one.tier,
            "severity": one.severity,
            "text": one.text,
            "source": one.source.citation,
            "how_known": one.source.how_known,
            "parameters": list(one.parameters),
        }
    )
