"""An earlier snapshot brought up to its row by what is newer, where that is the same as reading everything back.

::

    snapshot of version 7 + the asserted versions of 8, 9 (another worker's) --> snapshot of version 9

It is the same where the writes in between only added entries at the bedside (the row's `read_back` says so) and
nothing of another system lies in the episode: an image of ours that begins a chain is read without the others.
"""

from fhirmod.mapping import Lens
from fhirmod.store import Access, EpisodeRow, Reader

from .code_map import in_force
from .reading_back import as_stored, fold
from .snapshot import Snapshot, advanced


def caught_up(reader: Reader, access: Access, before: Snapshot, row: EpisodeRow) -> Snapshot | None:
    """Return the snapshot of a row made from an earlier one, or None where everything must be read back."""
    same = before.row._replace(version=row.version, status=row.status, stamp=row.stamp) == row
    if not same or not _ours_alone(before):
        return None
    versions = reader.members(access, row.id, before.row.version, owner="asserted")
    if {one.episode_version for one in versions} != set(range(before.row.version + 1, row.version + 1)):
        return None
    if any(one.version != 1 for one in versions):
        return None
    lens = Lens(before.context.subjects, in_force(reader, access), before.context.anchor)
    fold(lens, versions, map(as_stored, versions))
    entries = [one.entry for one in lens.received]
    if lens.unread or lens.whereabouts().foreign or not before.episode.chains.begun_by(entries):
        return None
    kinds = frozenset(entry.kind for entry in entries)
    return advanced(before, lens.received, kinds, {entry.id for entry in entries}).at(row)


def _ours_alone(snapshot: Snapshot) -> bool:
    """Return whether everything in the episode is an image of ours, so nothing waits for another."""
    return snapshot.own_anchor and not snapshot.unread and not snapshot.context.there.foreign
