"""Rules about the record itself: corrections that compete or wait, clocks and orders that contradict."""

from collections import defaultdict

from fhirmod import sources
from fhirmod.compute import label_findings, when
from fhirmod.episode import BalloonPreparation, Entry, Placement, Retraction
from fhirmod.validation.facts import Facts
from fhirmod.validation.rule import Place, Told, at, rule

_MARGIN = "record.clock_margin_min"
_EITHER_WAY = frozenset(
    {"birth-to-first-uterotonic", "birth-to-txa-1", "birth-to-recognition", "arrival-to-acceptance"}
)


@rule("record-retraction-waits", "soon", "warning", source=sources.ARITHMETIC)
def record_retraction_waits(facts: Facts) -> Told:
    """A retraction of an entry that has not arrived."""
    for entry in (one.entry for one in facts.known):
        if isinstance(entry, Retraction) and _by_now(facts, entry) and _original(facts, entry.retracts) is None:
            yield (
                at(entry, "retracts"),
                f"The retraction {entry.id} names entry {entry.retracts}, which has not arrived; it waits for it.",
            )


@rule("record-correction-without-original", "soon", "warning", source=sources.ARITHMETIC)
def record_correction_without_original(facts: Facts) -> Told:
    """A correction of an entry that is not here."""
    for entry in _corrections(facts):
        if _original(facts, entry.corrects) is None:
            yield (
                at(entry, "corrects"),
                f"The correction {entry.id} names entry {entry.corrects}, which is not here; it stands alone now.",
            )


@rule("record-correction-changes-kind", "soon", "warning", source=sources.ARITHMETIC)
def record_correction_changes_kind(facts: Facts) -> Told:
    """A correction of another kind than the entry it names: it does not stand."""
    for entry in _corrections(facts):
        original = _original(facts, entry.corrects)
        if original is not None and original.kind != entry.kind:
            yield (
                at(entry, "kind"),
                (
                    f"The correction {entry.id} is of kind {entry.kind}, and {entry.corrects} of kind "
                    f"{original.kind}; a correction is of the same kind, so this one does not stand."
                ),
            )


@rule("record-competing-corrections", "soon", "warning", source=sources.ARITHMETIC)
def record_competing_corrections(facts: Facts) -> Told:
    """Several corrections of one entry: the one recorded last stands."""
    children: defaultdict[str, list[str]] = defaultdict(list)
    for entry in _corrections(facts):
        original = _original(facts, entry.corrects)
        if entry.corrects is not None and (original is None or original.kind == entry.kind):
            children[entry.corrects].append(entry.id)
    for original_id, corrections in children.items():
        if len(corrections) > 1:
            yield (
                Place(original_id, "id"),
                (
                    f"Entry {original_id} has {len(corrections)} corrections ({', '.join(sorted(corrections))}); the "
                    "one recorded last stands."
                ),
            )


@rule("record-happens-after-recorded", "soon", "warning", source=sources.PRACTICE, parameters=(_MARGIN,))
def record_happens_after_recorded(facts: Facts) -> Told:
    """An entry recorded before it happened."""
    margin = facts.of(_MARGIN).duration
    for one in facts.known:
        entry, recorded = one.entry, one.entry.recorded_at.instant
        happened = entry.instant
        if recorded is not None and happened is not None and happened - recorded > margin and _by_now(facts, entry):
            yield (
                at(entry, "at"),
                (
                    f"Entry {entry.id} happened at {entry.at} but was recorded at {entry.recorded_at}; one of the two "
                    "clocks is off."
                ),
            )


@rule("record-recorded-after-received", "soon", "warning", source=sources.PRACTICE, parameters=(_MARGIN,))
def record_recorded_after_received(facts: Facts) -> Told:
    """An entry recorded later than it was received: the device's clock is ahead."""
    margin = facts.of(_MARGIN).duration
    for one in facts.known:
        recorded = one.entry.recorded_at.instant
        if recorded is not None and recorded - one.at > margin and _by_now(facts, one.entry):
            yield (
                at(one.entry, "recorded_at"),
                (
                    f"Entry {one.entry.id} was recorded at {one.entry.recorded_at}, later than it was received here; "
                    "the device's clock may be ahead."
                ),
            )


@rule("record-order-reversed", "soon", "warning", source=sources.ARITHMETIC)
def record_order_reversed(facts: Facts) -> Told:
    """Two events in an order that cannot be, such as an arrival before the departure; a drug before birth is none."""
    for one in facts.timings:
        if one.order == "reversed" and one.name not in _EITHER_WAY:
            yield (
                Place(str(one.end.entry), "at"),
                (
                    f"The {one.end.name} of entry {one.end.entry} lies before the {one.start.name} of entry "
                    f"{one.start.entry}; it follows it otherwise."
                ),
            )


@rule("record-label-doubtful", "review", "information", source=sources.UDI_FORMATS)
def record_label_doubtful(facts: Facts) -> Told:
    """A device identifier that does not check, or a typed fact of the label that it contradicts; none is normal."""
    for entry in (*facts.all(BalloonPreparation), *facts.all(Placement)):
        doubts: defaultdict[str, list[str]] = defaultdict(list)
        for doubt in label_findings(entry):
            doubts[doubt.place.rpartition(".")[2]].append(doubt.sentence)
        for field, sentences in doubts.items():
            yield at(entry, field), " ".join(sentences)


def _by_now(facts: Facts, entry: Entry) -> bool:
    return when(entry) <= facts.view.as_of


def _corrections(facts: Facts) -> list[Entry]:
    """Return the corrections received that happened by now; few, so they are looked for by their link first."""
    return [one.entry for one in facts.known if one.entry.corrects is not None and _by_now(facts, one.entry)]


def _original(facts: Facts, entry_id: str | None) -> Entry | None:
    found = facts.episode.by_id.get(entry_id or "")
    known_at = facts.view.known_at
    return None if found is None or (known_at is not None and found.at > known_at) else found.entry
