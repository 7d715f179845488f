"""What is wrong with the record itself: corrections that compete or wait, clocks and orders that contradict."""

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta

from fhirmod import sources
from fhirmod.episode import BalloonPreparation, Episode, Placement, Received, Retraction
from fhirmod.errors import Finding, Tier

from .balloons import Balloon
from .device_labels import label_findings
from .view import View
from .when import Interval, when

_CLOCK_MARGIN = timedelta(minutes=2)
_LOSS = {
    "negative-net": "The net loss of entry {id} is below 0 mL; dry weight and other fluid must not exceed the reading.",
    "collector-dropped": "The collector's reading of entry {id} is below the one before; it rises unless emptied.",
}


def record_findings(
    episode: Episode, view: View, all_balloons: tuple[Balloon, ...], timings: Iterable[Interval]
) -> tuple[Finding, ...]:
    """Return the findings about the record itself; each states what was wrong, got, and would be right.

    Units:  mL and min in the sentences.
    Source: sources.ARITHMETIC; the clock margin of 2 min is sources.PRACTICE.
    """
    known = [one for one in episode.received if view.known_at is None or one.at <= view.known_at]
    found = (
        *_corrections(known, view.as_of),
        *_clocks(known, view.as_of),
        *_ledgers(view),
        *_losses(view),
        *_orders(timings),
        *_unclosed(all_balloons),
        *_labels(view),
    )
    return tuple(sorted(found, key=lambda one: (one.code, one.place, one.sentence)))


def _finding(code: str, entry: str, field: str, sentence: str, tier: Tier = "soon") -> Finding:
    place = f"entries.where(id='{entry}').{field}"
    return Finding("warning", f"record-{code}", "business-rule", place, sentence, tier, sources.ARITHMETIC)


def _corrections(known: list[Received], as_of: datetime) -> Iterator[Finding]:
    by_id = {one.entry.id: one.entry for one in known}
    children: defaultdict[str, list[str]] = defaultdict(list)
    for one in known:
        entry = one.entry
        if when(entry) > as_of:
            continue
        if isinstance(entry, Retraction) and entry.retracts not in by_id:
            yield _finding(
                "retraction-waits", entry.id, "retracts",
                f"The retraction {entry.id} names entry {entry.retracts}, which has not arrived; it waits for it.",
            )  # fmt: skip
        if entry.corrects is None:
            continue
        original = by_id.get(entry.corrects)
        if original is None:
            yield _finding(
                "correction-without-original", entry.id, "corrects",
                f"The correction {entry.id} names entry {entry.corrects}, which is not here; it stands alone now.",
            )  # fmt: skip
        elif original.kind != entry.kind:
            yield _finding(
                "correction-changes-kind", entry.id, "kind",
                f"The correction {entry.id} is of kind {entry.kind}; a correction of {entry.corrects} must be of kind "
                f"{original.kind}.",
            )  # fmt: skip
        if original is None or original.kind == entry.kind:
            children[entry.corrects].append(entry.id)
    for original_id, corrections in children.items():
        if len(corrections) > 1:
            yield _finding(
                "competing-corrections", original_id, "id",
                f"Entry {original_id} has {len(corrections)} corrections ({', '.join(sorted(corrections))}); the one "
                "recorded last stands, and a person should confirm it.",
            )  # fmt: skip


def _clocks(known: list[Received], as_of: datetime) -> Iterator[Finding]:
    for one in known:
        entry = one.entry
        recorded = entry.recorded_at.instant
        if recorded is None or when(entry) > as_of:
            continue
        if entry.instant is not None and entry.instant > recorded + _CLOCK_MARGIN:
            yield _finding(
                "happens-after-recorded", entry.id, "at",
                f"Entry {entry.id} happened at {entry.at} but was recorded at {entry.recorded_at}; it cannot be "
                "recorded before it happens.",
            )  # fmt: skip
        if recorded > one.at + _CLOCK_MARGIN:
            yield _finding(
                "recorded-after-received", entry.id, "recorded_at",
                f"Entry {entry.id} was recorded at {entry.recorded_at}, later than it was received here; the "
                "device's clock may be ahead.",
            )  # fmt: skip


def _ledgers(view: View) -> Iterator[Finding]:
    for stray in view.ledgers.strays:
        yield _finding(
            "no-balloon", stray.id, "placement",
            f"The {stray.kind} entry {stray.id} belongs to no balloon in place at its time; its time or its "
            "placement should be corrected.",
        )  # fmt: skip
    for ledger in view.ledgers.balloons:
        for name, running in ledger.compartments.items():
            for entry in running.overdrawn:
                yield _finding(
                    "withdrawn-beyond-known", entry, "volume_ml",
                    f"The withdrawal {entry} takes more from the {name} of balloon {ledger.n} than the known "
                    f"{running.balance} mL; a fill or a volume is missing or wrong.",
                )  # fmt: skip
            for entry, before, after in running.stated:
                yield _finding(
                    "stated-volume-differs", entry, "volume_ml",
                    f"The volume stated in entry {entry} is {after} mL; the record of balloon {ledger.n} gave "
                    f"{before} mL in its {name}.",
                )  # fmt: skip


def _losses(view: View) -> Iterator[Finding]:
    for item in view.added:
        sentence = _LOSS.get(item.problem or "")
        if sentence is not None:
            yield _finding(item.problem or "", item.entry.id, "volume_ml", sentence.format(id=item.entry.id))


def _orders(timings: Iterable[Interval]) -> Iterator[Finding]:
    for one in timings:
        if one.order == "reversed":
            yield _finding(
                "order-reversed", str(one.end.entry), "at",
                f"The {one.end.name} of entry {one.end.entry} lies before the {one.start.name} of entry "
                f"{one.start.entry}; it should follow it.",
            )  # fmt: skip


def _labels(view: View) -> Iterator[Finding]:
    for entry in (*view.all(BalloonPreparation), *view.all(Placement)):
        yield from label_findings(entry)


def _unclosed(all_balloons: tuple[Balloon, ...]) -> Iterator[Finding]:
    for one in all_balloons:
        if one.state == "fate-not-known":
            yield _finding(
                "balloon-fate-not-known", one.placement, "id",
                f"Another balloon was placed while balloon {one.n} was recorded as in place; how it came out should be "
                "recorded.",
            )  # fmt: skip
