"""The computed state of an episode: pure in `as_of` and `known_at`, one pass over the entries per ledger."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from fhirmod.episode import Episode, Protocol, Urine
from fhirmod.errors import Finding

from .axes import Axes, axes
from .balloons import Balloon, balloons
from .classes import LossClass
from .collected import Total, collected, total_of
from .completeness import Completeness, Known, completeness
from .custody import Care, Copy, care, copy_of
from .depends import DEPENDS
from .document import document
from .fundus import Fundus, fundus
from .in_place import InPlace, in_place
from .lines import Line, Part, Shown, lines
from .losses import Losses, classes, losses
from .near_miss import NearMiss, near_miss
from .packs import Packs, packs
from .resuscitation import Resuscitation, resuscitation
from .signs import Haemodynamics, haemodynamics, last_haemoglobin
from .stops import Stops, stops
from .timings import timings
from .txa import Txa, txa
from .view import View
from .warning import CriteriaSet, warning_sets
from .watch import Watch, watch
from .when import Interval, when
from .why import Why


@dataclass(frozen=True, slots=True)
class ProtocolUsed:
    """Which site protocol the verdicts follow."""

    id: str
    version: str
    hash: str


@dataclass(frozen=True, slots=True)
class State:
    """Everything computed of one episode at a moment.

    Shape: `now` is `as_of`, or the time of death if that is earlier: every clock stops there. `document()` has the
           fields of this class, and of the classes they hold, under the same names: objects, lists, text, exact
           numbers and true/false, never null. A word of `Why` stands where a value cannot. Times are text with
           offset. `findings` are those of the rules, which stand above this floor (`fhirmod.validation.assessed`
           joins them). `incomplete` names the fields that something unread could have changed.
    """

    episode: str
    as_of: datetime
    known_at: datetime | Why
    now: datetime
    clocks_stopped_at: datetime | Why
    last_received: datetime | Why
    protocol: ProtocolUsed
    axes: Axes
    balloons: tuple[Balloon, ...]
    in_place: InPlace
    packs: Packs
    loss: Losses
    loss_classes: tuple[LossClass, ...]
    haemodynamics: Haemodynamics
    fundus: Fundus
    warning: tuple[CriteriaSet, ...]
    watch: Watch
    timings: tuple[Interval, ...]
    txa: Txa
    resuscitation: Resuscitation
    urine: Total
    haemoglobin: str
    stops: Stops
    care: Care
    copy: Copy
    near_miss: NearMiss
    completeness: Completeness
    findings: tuple[Finding, ...]
    incomplete: tuple[str, ...]
    seven_lines: tuple[Line, ...]

    def with_findings(self, findings: tuple[Finding, ...]) -> "State":
        """Return the state with what the rules found; the last of the seven lines says how many are open."""
        *others, last = self.seven_lines
        told = replace(last, parts=(*last.parts, Part("open findings", str(len(findings)))))
        return replace(self, findings=findings, seven_lines=(*others, told))

    def lines(self) -> tuple[Line, ...]:
        """Return the seven lines of the first ten seconds."""
        return self.seven_lines

    def document(self) -> dict[str, Any]:
        """Return the state as plain JSON values; every value is a value or a word saying why not."""
        plain: dict[str, Any] = document(self)
        return plain

    def timing(self, name: str) -> Interval:
        """Return the interval of this name.

        Units:  min.
        Errors: KeyError if there is none of that name.
        """
        for one in self.timings:
            if one.name == name:
                return one
        raise KeyError(name)


def state(
    episode: Episode,
    *,
    as_of: datetime,
    known_at: datetime | None = None,
    protocol: Protocol,
    unread: Collection[str] = (),
    kept_for: Collection[str] | None = None,
) -> State:
    """Return the computed state of an episode as of a moment, as it could be known at another.

    Units:  mL, min, mm[Hg] as the fields' names say.
    Shape:  linear in the entries; nothing is read but the arguments. `unread` names the kinds of entry that what
            could not be read may have been: the fields they could change are listed as incomplete. `kept_for` are
            the facilities this record is kept for: on another's, nothing is due here.
    Errors: none for any episode; what is missing or contradictory is said in the state.
    Source: each threshold's own, by way of the protocol.
    """
    view = View.of(episode, as_of=as_of, known_at=known_at, protocol=protocol)
    all_balloons = balloons(view)
    trail = care(view)
    copy = copy_of(trail, kept_for)
    known = Known(
        view=view,
        axes=axes(view, all_balloons, trail),
        balloons=all_balloons,
        packs=packs(view.entries),
        loss=losses(view, all_balloons),
        watch=watch(view, all_balloons, watched=copy.word != "last-known"),
        txa=txa(view),
        resuscitation=resuscitation(view),
        near_miss=near_miss(view),
        stops=stops(view),
    )
    intervals = timings(view, all_balloons)
    signs, height, haemoglobin = haemodynamics(view), fundus(view), last_haemoglobin(view)
    incomplete = tuple(name for name, kinds in DEPENDS.items() if not kinds.isdisjoint(unread))
    shown = Shown(
        view=view,
        axes=known.axes,
        balloons=all_balloons,
        packs=known.packs,
        loss=known.loss,
        haemodynamics=signs,
        fundus=height,
        watch=known.watch,
        txa=known.txa,
        resuscitation=known.resuscitation,
        haemoglobin=haemoglobin,
        stops=known.stops,
        care=trail,
        copy=copy,
        incomplete=incomplete,
    )
    return State(
        episode=episode.id,
        as_of=as_of,
        known_at=known_at if known_at is not None else Why.NOT_APPLICABLE,
        now=view.now,
        clocks_stopped_at=Why.NOT_APPLICABLE if view.death is None else when(view.death),
        last_received=view.last_received,
        protocol=ProtocolUsed(protocol.id, protocol.version, protocol.hash),
        axes=known.axes,
        balloons=all_balloons,
        in_place=in_place(view, all_balloons),
        packs=known.packs,
        loss=known.loss,
        loss_classes=classes(view),
        haemodynamics=signs,
        fundus=height,
        warning=warning_sets(view),
        watch=known.watch,
        timings=intervals,
        txa=known.txa,
        resuscitation=known.resuscitation,
        urine=total_of(collected(view.all(Urine))),
        haemoglobin=haemoglobin,
        stops=known.stops,
        care=trail,
        copy=copy,
        near_miss=known.near_miss,
        completeness=completeness(known),
        findings=(),
        incomplete=incomplete,
        seven_lines=lines(shown),
    )
