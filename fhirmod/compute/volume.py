"""One compartment's volume as recorded: in minus out, with how sure that is. Never "the volume inside"."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from fhirmod.episode import Fill, VolumeStated

from .why import Why, number

Certainty = Literal["known", "at-least", "not-known", "not-reliable", "by-state"]
_ZERO = Decimal(0)


@dataclass(frozen=True, slots=True)
class Volume:
    """A recorded volume.

    Units:  mL.
    Shape: `known` and `by-state` carry the number; `at-least` its lower bound; `not-known` and `not-reliable`
           carry the reason in `ml`; `last_recorded_ml` stays for reading when it is not reliable.
    """

    ml: Decimal | Why
    certainty: Certainty
    last_recorded_ml: Decimal | Why


class Running:
    """The running sum of one compartment of one balloon; a working value, not handed out.

    Units:  mL.
    """

    __slots__ = (
        "balance",
        "certainty",
        "complete",
        "emptied",
        "fills",
        "input",
        "output",
        "overdrawn",
        "peak",
        "stated",
        "withdrawals",
    )  # fmt: skip

    def __init__(self, *, known: bool) -> None:
        self.balance = self.input = self.output = self.peak = _ZERO
        self.certainty: Certainty = "known" if known else "not-known"
        self.complete = known
        self.emptied = False
        self.fills = self.withdrawals = 0
        self.overdrawn: list[str] = []
        self.stated: list[tuple[str, Decimal, Decimal]] = []

    def fill(self, ml: Decimal | None) -> None:
        """Add what went in; an amount that is not millilitres leaves only a lower bound."""
        self.fills += 1
        self.emptied = False
        if ml is None:
            self.complete = False
            if self.certainty == "known":  # at least nothing would say nothing
                self.certainty = "at-least" if self.balance > 0 else "not-known"
        else:
            self.balance += ml
            self.input += ml
            if self.certainty == "not-known" and ml > 0:
                self.certainty = "at-least"
        self.peak = max(self.peak, self.balance)

    def withdraw(self, ml: Decimal | None, entry: str, *, emptying: bool) -> None:
        """Take out what came out; beyond a known volume the record errs, beyond a bound it raises it."""
        self.withdrawals += 1
        if ml is None:
            self.complete = False
            self.certainty = "not-reliable"
            return
        self.emptied = emptying
        self.output += ml
        if ml <= self.balance:
            self.balance -= ml
            return
        if self.certainty == "known":
            self.overdrawn.append(entry)
            self.certainty = "not-reliable"
        else:
            self.peak = max(self.peak, self.peak - self.balance + ml)
            self.balance = _ZERO
            if self.certainty == "at-least":
                self.certainty = "not-known"

    def state(self, ml: Decimal, certainty: Literal["known", "at-least"], entry: str) -> None:
        """Set or confirm the baseline: somebody saw, was told or read what is in."""
        self.emptied = False
        if certainty == "at-least":
            if self.certainty == "known" and self.balance >= ml:
                return
            ml = max(ml, self.balance) if self.certainty == "at-least" else ml
        if self.certainty == "known" and self.balance != ml:
            self.stated.append((entry, self.balance, ml))
        self.input += ml - self.balance
        self.balance = ml
        self.peak = max(self.peak, ml)
        self.complete = self.complete or certainty == "known"
        self.certainty = certainty

    def doubt(self, *, unmeasured: bool) -> None:
        """Note that the balloon leaked, burst, moved or drained unmeasured: the sum no longer tells."""
        if self.fills or self.certainty != "known":
            self.certainty = "not-reliable"
            self.complete = self.complete and not unmeasured

    def volume(self) -> Volume:
        """Return the recorded volume as it stands now."""
        match self.certainty:
            case "known" | "at-least" | "by-state":
                return Volume(self.balance, self.certainty, self.balance)
            case "not-known":
                return Volume(Why.NOT_KNOWN, "not-known", Why.NOT_KNOWN)
            case _:
                return Volume(Why.NOT_RELIABLE, "not-reliable", self.balance)


def fill_ml(fill: Fill) -> Decimal | None:
    """Return how much went in, or None: syringes without a size are not millilitres.

    Units:  mL.
    Errors: none.
    Source: sources.ARITHMETIC.
    """
    stated = number(fill.volume_ml)
    if stated is not None or fill.volume_ml is not None:
        return stated
    count, size = number(fill.syringes), number(fill.syringe_ml)
    return None if count is None or size is None else count * size


def stated_ml(stated: VolumeStated) -> Decimal | None:
    """Return the volume somebody stated, or None if it was not known.

    Units:  mL.
    """
    return number(stated.volume_ml)


NOT_IN = Volume(_ZERO, "by-state", _ZERO)
"""The volume of a balloon that is out: zero by its state, whatever the sums say."""
