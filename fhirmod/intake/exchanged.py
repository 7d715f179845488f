"""Resources that came in as FHIR: stored as asserted, read as entries, and what follows from them stored too."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from fhirmod.episode import Episode, Moment, Protocol, Received
from fhirmod.errors import ConflictError, Finding
from fhirmod.mapping import TABLES, Lens, UnreadResource, derived_entry_id, stated_protocol
from fhirmod.r4 import parse, splice
from fhirmod.store import Access, EntryRow, EpisodeRow, Method, Put, Reader, Version, Writer

from .appending import release_held
from .bedside import digest_of
from .claims import claim
from .courses import anchors_in, likely_the_same
from .identity import episodes_of_others
from .incoming import Incoming, same_content
from .indexing import values
from .leading import lead
from .membership import Membership, members, patient_links
from .overdue import looks
from .owning import Owners
from .placing import Placed, place_all
from .protocols import Protocols, keep, named
from .provenance import provenance_put
from .putting import following, indexed, told
from .reading_back import load
from .receipt import ReadResource, Receipt
from .request import Request
from .snapshot import Snapshot

At = Callable[[Reader, Access, EpisodeRow], Snapshot]


@dataclass(frozen=True, slots=True)
class Written:
    """What became of one resource: the version that now stands, whether new here, whether anything was written."""

    version: Version | None
    created: bool
    written: bool
    receipt: Receipt
    reference: str


class Site(NamedTuple):
    """Where a service stands: its protocols, and the facilities that it keeps records for."""

    protocols: Protocols
    facilities: tuple[str, ...] = ()


@dataclass
class _Work:
    """One request of resources on its way into the store."""

    writer: Writer
    request: Request
    site: Site
    at: At
    importing: bool
    ignored: dict[str, UnreadResource]
    likely: list[Finding] = field(default_factory=list)

    def run(self, incoming: Sequence[Incoming]) -> tuple[list[Placed], list[Snapshot], Receipt]:
        claim(self.writer, self.request, incoming)
        placed, standing = place_all(self.writer, self.request, incoming)
        placed, links = lead(placed, standing, self.request.base)
        owners = Owners(self.writer, self.request, placed, importing=self.importing)
        owners.judge()
        self.ignored = owners.ignored
        active = [one for one in placed if one.reference not in self.ignored and not one.found]
        anchors = anchors_in(self.writer, self.request.access, placed, self.ignored)
        belongs = members(placed, anchors, self.writer, self.request.access)
        changed = [one for one in active if not self._unchanged(one)]
        snapshots, read, unread, released = [], [], [], []
        loose = [one for one in changed if not belongs.of(one.reference)]
        self._store(loose, links, None, belongs, None)
        unread += [
            UnreadResource(one.reference, _NO_EPISODE) for one in loose if one.type in _READ_TYPES and not one.deletes
        ]
        merged = self._of_merged(loose)
        episodes = sorted({episode for one in changed for episode in belongs.of(one.reference)} | merged.keys())
        for episode in episodes:
            mine = [one for one in changed if episode in belongs.of(one.reference)]
            snapshot, lens = self._episode(episode, mine, links, belongs, placed, merged.get(episode, ()))
            snapshot, freed = release_held(self.writer, self.request, snapshot)
            released += freed
            snapshots.append(snapshot)
            here = {one.reference for one in mine} | belongs.late
            read += _read(lens, snapshot, here)
            unread += [one for reference, one in lens.unread.items() if reference in here]
        receipt = Receipt(
            episode=episodes[0] if episodes else None,
            version=snapshots[0].row.version if snapshots else 0,
            released=tuple(released),
            read=tuple(read),
            unread=tuple(unread),
            ignored=tuple(self.ignored.values()),
            findings=tuple(self.likely),
            dry_run=self.request.dry_run,
        )
        return placed, snapshots, receipt

    def _row(self, episode: str, mine: Sequence[Placed], placed: Sequence[Placed]) -> tuple[EpisodeRow, bool]:
        """Return the row of an episode, locked, or a new one made from what came in."""
        if self.writer.episode(self.request.access, episode) is not None:
            return self.writer.lock(self.request.access, episode), False
        now = self.request.received.text
        opening = next((one for one in mine if one.reference == f"Encounter/{episode}.encounter"), None)
        if opening is not None:
            resource = opening.resource or {}
            facility = resource.get("serviceProvider", {}).get("identifier", {}).get("value", "")
            started = resource.get("period", {}).get("start") or now
            anchor_id = f"{episode}.anchor"
        else:
            anchor = next(one for one in placed if derived_entry_id(one.reference) == episode)
            resource = anchor.resource or {}
            facility = _stated_facility(resource)
            started = resource.get("performedDateTime") or resource.get("performedPeriod", {}).get("start") or now
            anchor_id = anchor.id
        labels = resource.get("meta", {}).get("security", ())
        drill = any(label.get("code") == "HTEST" for label in labels)
        protocol = self._protocol(opening)
        row = EpisodeRow(
            id=episode,
            version=0,
            anchor_type="Procedure",
            anchor_id=anchor_id,
            opened_at=_instant_or(started, now),
            facility=facility,
            drill=drill,
            protocol=named(protocol),
            kept_for="\n".join(sorted(self.site.facilities)),
        )
        self.writer.create_episode(self.request.access, row)
        if kept := keep(self.writer, self.request.access, protocol):
            self.writer.put(self.request.access, kept, now)
        return row, True

    def _protocol(self, opening: Placed | None) -> Protocol:
        """Return the protocol that the verdicts of an episode new here will use."""
        said = stated_protocol(opening.resource or {}) if opening is not None else None
        kept = self.site.protocols.kept(self.writer, self.request.access, str((said or {}).get("hash", "")))
        return kept or self.site.protocols.current

    def _episode(
        self,
        episode: str,
        mine: Sequence[Placed],
        links: Mapping[str, str],
        belongs: Membership,
        placed: Sequence[Placed],
        merged: Sequence[Placed],
    ) -> tuple[Snapshot, Lens]:
        """Return the episode with what came in, and the lens that read it: stored first, then read back from there."""
        access, now = self.request.access, self.request.received.text
        row, new = self._row(episode, mine, placed)
        before = None if new else self.at(self.writer, access, row)
        version = row.version + 1
        self._store(mine, links, episode, belongs, version)
        self.writer.join(access, episode, version, belongs.joining(episode))
        after, lens = load(self.writer, access, row, self.site.protocols.of(self.writer, access, row))
        _refuse_anchorless(row, mine, after)
        if before is None:
            self.likely += likely_the_same(self.writer, access, row, after.context.subject)
            before = Snapshot(row, Episode(episode), after.context, {}, {}, {}, after.protocol)
        stamp, status = self.request.new_id(), after.status
        self.writer.bump(access, episode, None if status == row.status else status, stamp=stamp)
        after = after.at(row._replace(version=version, status=status, stamp=stamp, read_back=version))
        written = [one.reference for one in (*mine, *merged)]
        provenance = provenance_put(self.request, _how(mine) if mine else "PUT", written, after)
        self.writer.put(access, [*following(before, after), provenance], now, version)
        self.writer.outbox(access, [told(episode, version, now)])
        self.writer.put_jobs(access, looks(before, after))
        self._log([one for one in after.episode.received if one.entry.id not in before.episode.by_id], episode)
        return after, lens

    def _log(self, received: Sequence[Received], episode: str) -> None:
        """Let the entries that were read count as accepted, unless they were sent before."""
        access, now = self.request.access, self.request.received.text
        logged = self.writer.entries(access, [one.entry.id for one in received if not one.inferred])
        rows = [
            EntryRow(one.entry.id, digest_of(one.entry), now, episode)
            for one in received
            if not one.inferred and one.entry.id not in logged
        ]
        if rows:
            self.writer.log_entries(access, rows)

    def _of_merged(self, changed: Sequence[Placed]) -> dict[str, list[Placed]]:
        """Return the episodes of every woman whose Patient is now (or is no longer) merged with another."""
        found: dict[str, list[Placed]] = {}
        for one in changed:
            if one.type == "Patient":
                old = parse(one.current.body) if one.current is not None and one.current.body is not None else {}
                if not any("link" in its or "identifier" in its for its in (one.resource or {}, old)):
                    continue  # nothing in it can make two Patients one woman
                for episode in episodes_of_others(self.writer, self.request.access, one.reference, old):
                    found.setdefault(episode, []).append(one)
        return found

    def _store(
        self,
        mine: Sequence[Placed],
        links: Mapping[str, str],
        episode: str | None,
        belongs: Membership,
        version: int | None,
    ) -> None:
        """Write the received resources; those that another of their episodes shows already are joined to this one."""
        puts = []
        further: list[tuple[str, str, str | None]] = []
        for one in mine:
            bases = belongs.of(one.reference)
            if episode is not None and episode != min(bases):
                further.append((one.type, one.id, bases[episode]))
                continue
            basis = bases.get(episode) if episode is not None else None
            if one.resource is None:
                puts.append(Put(one.type, one.id, "asserted", "DELETE", None, episode=episode, basis=basis))
                continue
            tokens, references = indexed(one.resource)
            references = (*references, *belongs.open_links(one.reference), *patient_links(one.resource))
            method: Method = "POST" if one.incoming.method == "POST" and one.current is None else "PUT"
            body = _spliced(one.text, one.id, links)
            found_by = values(one.resource)
            puts.append(Put(one.type, one.id, "asserted", method, body, tokens, references, episode, basis, found_by))
        if puts:
            self.writer.put(self.request.access, puts, self.request.received.text, version)
        if further and episode is not None and version is not None:
            self.writer.join(self.request.access, episode, version, further)

    def _unchanged(self, one: Placed) -> bool:
        return (
            one.resource is not None
            and one.current is not None
            and one.current.body is not None
            and same_content(one.resource, parse(one.current.body))
        )


def write_resources(
    writer: Writer, request: Request, incoming: Sequence[Incoming], site: Site, *, at: At, importing: bool
) -> tuple[list[Written], list[Snapshot]]:
    """Return what became of each resource of a request, and the episodes as they now stand.

    Errors: BusinessRuleError if a client writes what is assembled or computed here (in an import it is ignored);
            PreconditionFailedError if a condition does not hold. Nothing is written then.
    """
    work = _Work(writer, request, site, at, importing, {})
    placed, snapshots, receipt = work.run(incoming)
    current = writer.get_many(request.access, [(one.type, one.id) for one in placed])
    written = []
    for one in placed:
        stands = current.get((one.type, one.id))
        before = one.current.version if one.current is not None else None
        fresh = stands is not None and not one.found and stands.version != before
        created = fresh and not one.living and not one.deletes
        written.append(Written(stands, created, fresh, receipt, one.reference))
    return written, snapshots


def _refuse_anchorless(row: EpisodeRow, mine: Sequence[Placed], after: Snapshot) -> None:
    """Return nothing unless the anchor of an episode is deleted while entries of it stand.

    Errors: ConflictError.
    """
    anchor = f"{row.anchor_type}/{row.anchor_id}"
    if any(one.deletes and one.reference == anchor for one in mine):
        received = {one.entry.id for one in after.episode.received if not one.inferred}
        left = [entry for entry in after.episode.standing() if entry.id in received]
        if left:
            raise ConflictError(
                f"{anchor} is the whole of which {len(left)} entries that stand are parts; delete their resources "
                "first, or in the same transaction.",
                place=row.anchor_type,
            )


def _how(mine: Sequence[Placed]) -> Method:
    if all(one.deletes for one in mine):
        return "DELETE"
    return "PUT" if any(one.current is not None for one in mine) else "POST"


def _spliced(text: bytes, id_: str, links: Mapping[str, str]) -> Callable[[int, str], bytes]:
    return lambda version, updated: splice(
        text, id=id_, version_id=str(version), last_updated=updated, references=links
    )


def _read(lens: Lens, snapshot: Snapshot, here: set[str]) -> list[ReadResource]:
    by_id = snapshot.episode.by_id
    return [
        ReadResource(reference, entry, by_id[entry].entry.kind)
        for reference, entry in lens.read.items()
        if reference in here and entry in by_id
    ]


def _stated_facility(anchor: Mapping[str, Any]) -> str:
    """Return the facility a partner's anchor names: on whose behalf it was done, or where."""
    for performer in anchor.get("performer", ()):
        actor = performer.get("actor", {})
        is_organization = actor.get("type") == "Organization" or actor.get("reference", "").startswith("Organization/")
        behalf = performer.get("onBehalfOf") or (actor if is_organization else {})
        name = behalf.get("identifier", {}).get("value") or behalf.get("display") or behalf.get("reference")
        if name:
            return str(name)[:200]
    place_ = anchor.get("location", {})
    return str(place_.get("display") or place_.get("reference") or "")[:200]


def _instant_or(text: str, otherwise: str) -> str:
    try:
        return text if Moment(text).instant is not None else otherwise
    except ValueError:
        return otherwise


_READ_TYPES = frozenset(part.type for table in TABLES.values() for part in table.parts) - {"Provenance"}
_NO_EPISODE = "it belongs to no tamponade that is recorded here: no anchor references it, and it references none"
