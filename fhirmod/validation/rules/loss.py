"""Rules about volumes lost, passed and collected: readings that cannot be, and losses only estimated."""

from decimal import Decimal

from fhirmod import sources
from fhirmod.compute import collected, number, when
from fhirmod.episode import BloodLoss, Entry, Fill, Fluid, Urine, Withdrawal
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule
from fhirmod.validation.words import shown


@rule("record-negative-net", "soon", "warning", source=sources.AWHONN_QBL)
def record_negative_net(facts: Facts) -> Told:
    """A weighed or measured loss whose dry weight or other fluid is more than its reading."""
    for item in facts.view.added:
        if item.problem == "negative-net":
            yield (
                at(item.entry, "volume_ml"),
                (
                    f"The net loss of entry {item.entry.id} is below 0 mL: its dry weight and other fluid exceed its "
                    "reading. It is not counted."
                ),
            )


@rule("record-collector-dropped", "soon", "warning", source=sources.ARITHMETIC)
def record_collector_dropped(facts: Facts) -> Told:
    """A collector's reading below the one before, with no emptying recorded."""
    dropped: list[Entry] = [item.entry for item in facts.view.added if item.problem == "collector-dropped"]
    for items in (collected(facts.all(Urine)), collected(facts.all(Fluid))):
        dropped += [one.entry for one in items if one.ml is None and number(one.entry.volume_ml) is not None]
    for entry in dropped:
        yield (
            at(entry, "volume_ml"),
            (
                f"The collector's reading of entry {entry.id} is below the one before, and no emptying is recorded; "
                "what it adds is not known."
            ),
        )


@rule("litres-for-millilitres", "soon", "warning", source=sources.PRACTICE, parameters=("plausible.volume_low_ml",))
def litres_for_millilitres(facts: Facts) -> Told:
    """A volume above 0 and below one millilitre or so: litres recorded as millilitres."""
    low = facts.of("plausible.volume_low_ml")
    entries: list[BloodLoss | Urine | Fill | Withdrawal | Fluid] = [*facts.all(BloodLoss), *facts.all(Urine)]
    entries += [*facts.all(Fill), *facts.all(Withdrawal), *facts.all(Fluid)]
    for entry in entries:
        ml = number(entry.volume_ml)
        if ml is not None and 0 < ml < low.value:
            yield (
                at(entry, "volume_ml"),
                (
                    f"The {entry.kind} entry {entry.id} has {shown(ml)} mL, which is less than "
                    f"{shown(low.value)} mL; it may be litres."
                ),
            )


@rule("fill-implausible", "soon", "warning", source=sources.PRACTICE, parameters=("plausible.fill_high_ml",))
def fill_implausible(facts: Facts) -> Told:
    """One fill larger than any balloon holds."""
    high = facts.of("plausible.fill_high_ml")
    for fill in facts.all(Fill):
        ml = number(fill.volume_ml)
        if ml is not None and ml > high.value:
            yield (
                at(fill, "volume_ml"),
                f"The fill {fill.id} has {shown(ml)} mL, above {shown(high.value)} mL in one go.",
            )


@rule("loss-not-measured", "review", "information", source=sources.AWHONN_QBL)
def loss_not_measured(facts: Facts) -> Told:
    """A balloon used, and no blood loss measured: none recorded, or by eye only."""
    if not facts.balloons or any(not item.visual and item.ml is not None for item in facts.view.added):
        return
    by_eye = any(item.visual for item in facts.view.added)
    yield (
        Place(facts.balloons[0].placement, "blood-loss"),
        "Blood loss is recorded by eye only; figures by eye run low." if by_eye else "No blood loss is recorded.",
    )


@rule(
    "reconciliation-beyond", "review", "information", source=sources.PRACTICE,
    parameters=("reconciliation.tolerance_ml",),
)  # fmt: skip
def reconciliation_beyond(facts: Facts) -> Told:
    """Recorded in and recorded out differ by more than the tolerance that the site sets."""
    tolerance = facts.view.protocol.reconciliation_ml
    for one in facts.balloons:
        found = one.cavity.reconciliation
        if tolerance is not None and found.verdict.word == "beyond" and isinstance(found.difference_ml, Decimal):
            out = one.out.entry if one.out.entry in facts.episode.by_id else one.placement
            yield (
                Place(out, "reconciliation"),
                (
                    f"Balloon {one.n} has {shown(found.difference_ml)} mL more recorded in than out; the site's "
                    f"tolerance is {shown(tolerance.value)} mL. It may be a leak or an error of record."
                ),
            )


@rule("record-no-balloon", "soon", "warning", source=sources.ARITHMETIC)
def record_no_balloon(facts: Facts) -> Told:
    """A fill, withdrawal, stated volume or removal that belongs to no balloon in place at its time."""
    for stray in facts.view.ledgers.strays:
        yield (
            at(stray, "placement"),
            (
                f"The {stray.kind} entry {stray.id} belongs to no balloon in place at its time; its time or its "
                "placement is missing or wrong."
            ),
        )


@rule("record-withdrawn-beyond-known", "soon", "warning", source=sources.ARITHMETIC)
def record_withdrawn_beyond_known(facts: Facts) -> Told:
    """More withdrawn than the volume known to be in."""
    for ledger in facts.ledgers:
        for name, running in ledger.compartments.items():
            for entry in running.overdrawn:
                yield (
                    Place(entry, "volume_ml"),
                    (
                        f"The withdrawal {entry} takes more from the {name} of balloon {ledger.n} than the known "
                        f"{shown(running.balance)} mL; a fill or a volume is missing or wrong."
                    ),
                )


@rule("record-stated-volume-differs", "soon", "warning", source=sources.ARITHMETIC)
def record_stated_volume_differs(facts: Facts) -> Told:
    """A volume that somebody stated differs from what the record gives."""
    for ledger in facts.ledgers:
        for name, running in ledger.compartments.items():
            for entry, before, after in running.stated:
                yield (
                    Place(entry, "volume_ml"),
                    (
                        f"The volume stated in entry {entry} is {shown(after)} mL; the record of balloon {ledger.n} "
                        f"gave {shown(before)} mL in its {name}."
                    ),
                )


@rule("record-balloon-fate-not-known", "soon", "warning", source=sources.PRACTICE)
def record_balloon_fate_not_known(facts: Facts) -> Told:
    """Another balloon placed while one was recorded as in place: how that came out is not recorded."""
    for ledger in facts.ledgers:
        if ledger.superseded is not None and ledger.end is None:
            yield (
                Place(ledger.id, "id", when(ledger.superseded)),
                (
                    f"Another balloon was placed while balloon {ledger.n} was recorded as in place; how it came out "
                    "is not recorded."
                ),
            )
