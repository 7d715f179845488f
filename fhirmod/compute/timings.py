"""How long things took, between named anchors, each with the range its recorded times allow."""

from typing import TypeVar

from fhirmod.episode import (
    Birth,
    BleedingResponse,
    Custody,
    Decision,
    Entry,
    Fill,
    Haemorrhage,
    Help,
    Infusion,
    Medication,
    Placement,
    Surgery,
    Transfer,
    VitalSigns,
)

from .balloons import Balloon
from .view import View
from .when import Interval, between, when

E = TypeVar("E", bound=Entry)


def last_birth(view: View) -> Birth | None:
    """Return the birth that intervals count from: the last baby's."""
    births = view.all(Birth)
    return births[-1] if births else None


def txa_doses(view: View) -> list[Medication | Infusion]:
    """Return each dose of tranexamic acid that was given, in order of time.

    Units:  none.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    doses: list[Medication | Infusion] = [
        one for one in view.all(Medication) if one.drug == "tranexamic-acid" and one.given
    ]
    doses += [one for one in view.all(Infusion) if one.drug == "tranexamic-acid" and one.step == "start"]
    return sorted(doses, key=when)


def timings(view: View, all_balloons: tuple[Balloon, ...]) -> tuple[Interval, ...]:
    """Return the timeliness intervals.

    Units:  min.
    Shape: an anchor that is missing says so; nothing missing is ever zero.
    Errors: none.
    Source: sources.ARITHMETIC; which intervals are kept is sources.PRACTICE.
    """
    ends = _anchors(view, all_balloons)
    return tuple(between(name, (start, ends[start]), (end, ends[end])) for name, start, end in _WANTED)


_WANTED = (
    ("birth-to-recognition", "last-birth", "recognition"),
    ("recognition-to-decision", "recognition", "balloon-decision"),
    ("help-called-to-arrived", "help-called", "help-arrived"),
    ("birth-to-first-uterotonic", "last-birth", "first-uterotonic"),
    ("birth-to-txa-1", "last-birth", "txa-1"),
    ("txa-1-to-txa-2", "txa-1", "txa-2"),
    ("birth-to-placement", "last-birth", "first-placement"),
    ("decision-to-placement", "balloon-decision", "first-placement"),
    ("placement-to-first-cavity-fill", "first-placement", "first-cavity-fill"),
    ("not-stopped-to-theatre", "not-stopped", "theatre-after-not-stopped"),
    ("theatre-decision-to-theatre", "theatre-decision", "theatre"),
    ("transfer-decision-to-departure", "transfer-decided", "departed"),
    ("transfer-call-to-departure", "transfer-called", "departed"),
    ("journey", "departed", "arrived"),
    ("arrival-to-acceptance", "arrived", "accepted"),
    ("arrival-to-first-observation", "arrived", "first-observation-on-arrival"),
)


def _anchors(view: View, all_balloons: tuple[Balloon, ...]) -> dict[str, Entry | None]:
    placements = view.all(Placement)
    placed = placements[0] if placements else None
    doses = txa_doses(view)
    theatre = _first(view.all(Decision), choice="theatre")
    bad = next((one for one in view.all(BleedingResponse) if one.response in ("not-stopped", "returned")), None)
    departed, arrived = _journey(view)
    surgeries = view.all(Surgery)
    first = all_balloons[0] if all_balloons else None
    return {
        "last-birth": last_birth(view),
        "recognition": next(iter(view.all(Haemorrhage)), None),
        "balloon-decision": _first(view.all(Decision), choice="balloon"),
        "help-called": _first(view.all(Help), step="called"),
        "help-arrived": _first(view.all(Help), step="arrived"),
        "first-uterotonic": first_uterotonic(view),
        "txa-1": doses[0] if doses else None,
        "txa-2": doses[1] if len(doses) > 1 else None,
        "first-placement": placed,
        "first-cavity-fill": None if first is None else _entry(view.all(Fill), first.stop.anchor.entry),
        "not-stopped": bad,
        "theatre-after-not-stopped": _after(surgeries, bad),
        "theatre-decision": theatre,
        "theatre": _after(surgeries, theatre),
        "transfer-decided": _first(view.all(Transfer), step="decided") or _first(view.all(Decision), choice="transfer"),
        "transfer-called": _first(view.all(Transfer), step="called"),
        "departed": departed,
        "arrived": arrived,
        "accepted": _after(view.all(Custody), arrived, answer="accepted")
        or _first(view.all(Custody), answer="accepted"),
        "first-observation-on-arrival": _after(view.all(VitalSigns), arrived),
    }


UTEROTONICS = frozenset({"oxytocin", "carbetocin", "misoprostol", "ergometrine", "methylergometrine", "carboprost"})


def first_uterotonic(view: View) -> Entry | None:
    """Return the first uterotonic given, as a dose or as an infusion."""
    given: list[Entry] = [one for one in view.all(Medication) if one.drug in UTEROTONICS and one.given]
    given += [one for one in view.all(Infusion) if one.drug in UTEROTONICS and one.step == "start"]
    return min(given, key=when, default=None)


def _journey(view: View) -> tuple[Transfer | None, Transfer | None]:
    departed = _first(view.all(Transfer), step="departed")
    arrived = (
        _after(view.all(Transfer), departed, step="arrived") if departed else _first(view.all(Transfer), step="arrived")
    )
    return departed, arrived


def _first(entries: list[E], **wanted: str) -> E | None:
    return next((one for one in entries if all(getattr(one, name) == value for name, value in wanted.items())), None)


def _after(entries: list[E], start: Entry | None, **wanted: str) -> E | None:
    """Return the first such entry at or after another; None without that other."""
    if start is None:
        return None
    return _first([one for one in entries if when(one) >= when(start)], **wanted)


def _entry(entries: list[Fill], entry_id: str) -> Fill | None:
    return next((one for one in entries if one.id == entry_id), None)
