"""Which kinds of entry each part of the state is computed from: what something unread could have changed."""

from .ledger import LEDGER_KINDS
from .stop import STOP_KINDS
from .trials import TRIAL_KINDS

_DEATH = frozenset({"outcome", "follow-up"})
_BALLOON = LEDGER_KINDS | STOP_KINDS | TRIAL_KINDS | {"balloon-preparation"}
_SIGNS = _DEATH | {"vital-signs"}
_LOSS = frozenset({"blood-loss", "birth"}) | LEDGER_KINDS
_STOPS = frozenset({"background", "consent", "haemorrhage", "examination", "surgery"})
_CARE = frozenset({"opening", "transfer", "custody"})
_WATCH = _BALLOON | _SIGNS | {"uterine-check", "bleeding-response", "transfer", "device-problem"} | _CARE
_GIVEN = frozenset({"medication", "infusion", "fluid", "transfusion"}) | _DEATH
_TIMINGS = _BALLOON | _CARE | {
    "birth", "haemorrhage", "help", "decision", "medication", "infusion", "surgery", "vital-signs",
}  # fmt: skip
_NEAR_MISS = _GIVEN | _SIGNS | {"laboratory", "urine", "surgery", "complication"}

DEPENDS: dict[str, frozenset[str]] = {
    "axes": _BALLOON | _CARE | {"placement-attempt", "sign-off"},
    "balloons": _BALLOON,
    "in_place": LEDGER_KINDS,
    "packs": frozenset({"packing"}),
    "loss": _LOSS,
    "loss_classes": _LOSS | {"vital-signs"},
    "haemodynamics": _SIGNS,
    "fundus": _DEATH | {"uterine-check"},
    "warning": _SIGNS | {"urine", "background"},
    "watch": _WATCH,
    "timings": _TIMINGS,
    "txa": frozenset({"medication", "infusion", "birth"}),
    "resuscitation": _GIVEN,
    "urine": frozenset({"urine"}),
    "haemoglobin": frozenset({"laboratory"}),
    "stops": _STOPS,
    "care": _CARE,
    "copy": _CARE,
    "near_miss": _NEAR_MISS,
}
"""Completeness and the seven lines are left out: they only repeat the parts above."""
