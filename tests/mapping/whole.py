"""A whole story through FHIR without a store: the resources that say what stands of it, and the record they are read as."""

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from fhirmod.episode import Entry, Episode, Protocol, Received, Retraction, read_entry
from fhirmod.intake.snapshot import Snapshot, computed
from fhirmod.mapping import Context, Image, Lens, Stored, images, retraction_image
from fhirmod.r4 import dump, parse
from fhirmod.store import EpisodeRow
from fhirmod.stories import Story

CONTEXT = Context("Patient/1", "Procedure/anchor", "Encounter/e")
WHEN = "2026-12-02T00:00:00.000Z"


def episode_of(story: Story) -> Episode:
    """Return the story's entries as an episode that has received them all (one that comes again is the same)."""
    first: dict[str, Entry] = {}
    for document in story.entries:
        entry = read_entry({"recorded_at": WHEN, **document})
        first.setdefault(entry.id, entry)
    now = datetime.fromisoformat(WHEN)
    return Episode("story").adding([Received(entry, now) for entry in first.values()])


def sent(episode: Episode, context: Context = CONTEXT) -> list[Image]:
    """Return the resources that say what stands, and what was taken back by whom."""
    chains = episode.chains
    made: list[Image] = []
    for root, head in chains.heads.items():
        if isinstance(head, Retraction):
            made.append(retraction_image(head, context, root=root, targets=[f"Observation/{head.retracts}.x"]))
        else:
            made += images(head, context, root=root, withdrawn=not chains.stands(root))
    return [one for one in made if one.body is not None]


def put_together(episode: Episode) -> list[Image]:
    """Return the resources built from several entries: the anchor, each balloon's use and flag, what is due."""
    row = EpisodeRow("story", 1, "Procedure", "story.anchor", WHEN, "here")
    made = computed(Snapshot(row, episode, CONTEXT, {}, {}, {}, protocol=Protocol.default()))
    return list(made.assembled.values())


def stored(made: Iterable[Image], version: int = 1) -> list[Stored]:
    """Return the resources as another service gets them: through their text."""
    return [Stored(one.type, one.id, version, WHEN, parse(dump(one.body))) for one in made]


def read(batches: Iterable[list[Stored]]) -> tuple[Lens, Episode]:
    """Return the lens that read these batches in order, and the episode it read."""
    lens = Lens(CONTEXT.subjects)
    for batch in batches:
        lens.fold(batch)
    return lens, Episode("story").adding(lens.received)


def said(episode: Episode) -> list[Any]:
    """Return what stands, each entry as the text of its JSON; the links between corrections are not sent on."""
    unlinked = (entry.model_copy(update={"corrects": None}) for entry in episode.standing())
    return [dump(entry.document()) for entry in unlinked]
