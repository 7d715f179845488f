"""The computed state of an episode: pure in `as_of` and `known_at`, one pass over the entries per ledger."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from fhirmod.episode import Episode, Protocol

from .axes import Axes, axes
from .balloons import Balloon, balloons
from .classes import LossClass
from .document import document
from .in_place import InPlace, in_place
from .losses import Losses, classes, losses
from .packs import Packs, packs
from .signs import Haemodynamics, haemodynamics
from .timings import timings
from .txa import Txa, txa
from .view import View
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

    Shape: `now` is `as_of`, or the time of death if that is earlier: every clock stops there.
    """

    episode: str
    as_of: datetime
    known_at: datetime | Why
    now: datetime
    clocks_stopped_at: datetime | Why
    protocol: ProtocolUsed
    axes: Axes
    balloons: tuple[Balloon, ...]
    in_place: InPlace
    packs: Packs
    loss: Losses
    loss_classes: tuple[LossClass, ...]
    haemodynamics: Haemodynamics
    watch: Watch
    timings: tuple[Interval, ...]
    txa: Txa

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
    episode: Episode, *, as_of: datetime, known_at: datetime | None = None, protocol: Protocol
) -> State:
    """Return the computed state of an episode as of a moment, as it could be known at another.

    Units:  mL, min, mm[Hg] as the fields' names say.
    Shape:  linear in the entries; nothing is read but the arguments.
    Errors: none for any episode; what is missing or contradictory is said in the state.
    Source: each threshold's own, by way of the protocol.
    """
    view = View.of(episode, as_of=as_of, known_at=known_at, protocol=protocol)
    all_balloons = balloons(view)
    return State(
        episode=episode.id,
        as_of=as_of,
        known_at=known_at if known_at is not None else Why.NOT_APPLICABLE,
        now=view.now,
        clocks_stopped_at=Why.NOT_APPLICABLE if view.death is None else when(view.death),
        protocol=ProtocolUsed(protocol.id, protocol.version, protocol.hash),
        axes=axes(view, all_balloons),
        balloons=all_balloons,
        in_place=in_place(view, all_balloons),
        packs=packs(view.entries),
        loss=losses(view, all_balloons),
        loss_classes=classes(view),
        haemodynamics=haemodynamics(view),
        watch=watch(view, all_balloons),
        timings=timings(view, all_balloons),
        txa=txa(view),
    )
