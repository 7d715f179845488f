"""Resources that came in as FHIR: stored as asserted, read as entries, and what follows from them stored too."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fhirmod.episode import Episode, Moment, Received
from fhirmod.errors import BusinessRuleError
from fhirmod.mapping import EPISODE_ID, TABLES, Lens, Stored, UnreadResource, derived_entry_id, is_derived
from fhirmod.mapping.urls import profile
from fhirmod.r4 import parse, splice
from fhirmod.store import EntryRow, EpisodeRow, Method, Put, Version, Writer

from .bedside import digest_of
from .incoming import Incoming, Placed, lead, place_all, same_content
from .membership import is_anchor, members
from .provenance import provenance_put
from .putting import following, indexed, told
from .receipt import ReadResource, Receipt
from .request import Request
from .snapshot import Snapshot, computed, context_of, inferred_opening, load, read_back

_OURS = {"DeviceUseStatement": ("use", "device-use"), "Flag": ("flag", "balloon-in-place")}


@dataclass(frozen=True, slots=True)
class Written:
    """What became of one resource: the version that now stands, whether new here, whether anything was written."""

    version: Version | None
    created: bool
    written: bool
    receipt: Receipt
    reference: str


@dataclass
class _Work:
    """One request of resources on its way into the store."""

    writer: Writer
    request: Request
    importing: bool
    ignored: dict[str, UnreadResource]

    def run(self, incoming: Sequence[Incoming]) -> tuple[list[Placed], list[Snapshot], Receipt]:
        placed = place_all(self.writer, self.request, incoming)
        placed, links = lead(placed, self.writer, self.request.access)
        for one in placed:
            self._judge_owner(one, placed)
        active = [one for one in placed if one.reference not in self.ignored and not one.found]
        anchors = self._anchors(placed)
        belongs = members(placed, anchors, self.writer, self.request.access)
        changed = [one for one in active if not self._unchanged(one)]
        episodes = sorted({episode for one in changed for episode in belongs[one.reference]})
        snapshots, read, unread = [], [], []
        loose = [one for one in changed if not belongs[one.reference]]
        self._store(loose, links, None, {}, None)
        unread += [UnreadResource(one.reference, _NO_EPISODE) for one in loose if one.incoming.type in _READ_TYPES]
        for episode in episodes:
            mine = [one for one in changed if episode in belongs[one.reference]]
            snapshot, lens = self._episode(episode, mine, links, belongs, placed)
            snapshots.append(snapshot)
            here = {one.reference for one in mine}
            read += _read(lens, snapshot, here)
            unread += [one for reference, one in lens.unread.items() if reference in here]
        receipt = Receipt(
            episode=episodes[0] if episodes else None,
            version=snapshots[0].row.version if snapshots else 0,
            read=tuple(read),
            unread=tuple(unread),
            ignored=tuple(self.ignored.values()),
            dry_run=self.request.dry_run,
        )
        return placed, snapshots, receipt

    # who owns it

    def _judge_owner(self, one: Placed, placed: Sequence[Placed]) -> None:
        """Ignore (in an import) or refuse what is not the client's to write."""
        resource = one.resource or {}
        owner = one.current.owner if one.current is not None else None
        if owner == "derived" or is_derived(resource):
            self._not_theirs(one, "is computed from the entries; post the entry that changes it")
        elif owner == "assembled" or self._is_assembled(resource, placed):
            kinds = _ENTRIES_FOR.get(one.incoming.type, "an entry")
            self._not_theirs(one, f"is assembled from the entries; post {kinds} instead")

    def _not_theirs(self, one: Placed, why: str) -> None:
        sentence = f"{one.reference} {why}."
        if not self.importing:
            raise BusinessRuleError(sentence, place=one.incoming.type)
        self.ignored[one.reference] = UnreadResource(one.reference, sentence)

    def _is_assembled(self, resource: Mapping[str, Any], placed: Sequence[Placed]) -> bool:
        """Return whether a resource is what this software assembles, of an episode whose opening is at hand."""
        episode = episode_named(resource)
        if episode is not None:
            return self._has_opening(episode, placed)
        part, name = _OURS.get(str(resource.get("resourceType")), ("", ""))
        profiles = resource.get("meta", {}).get("profile", ())
        return bool(part) and str(resource.get("id", "")).endswith(f".{part}") and profile(name) in profiles

    def _has_opening(self, episode: str, placed: Sequence[Placed]) -> bool:
        opening = f"Encounter/{episode}.encounter"
        return (
            any(one.reference == opening for one in placed)
            or self.writer.episode(self.request.access, episode) is not None
        )

    # which episodes

    def _anchors(self, placed: Sequence[Placed]) -> dict[str, str]:
        """Return the episode of each anchor of this request, by the anchor's reference here."""
        found = {}
        for one in placed:
            if one.found or not is_anchor(one.resource or {}):
                continue
            named = episode_named(one.resource or {})
            if named is not None and one.reference in self.ignored:
                found[f"Procedure/{named}.anchor"] = named
            elif one.reference not in self.ignored:
                found[one.reference] = derived_entry_id(one.reference)
        return found

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
        row = EpisodeRow(episode, 0, "Procedure", anchor_id, _instant_or(started, now), facility, drill=drill)
        self.writer.create_episode(self.request.access, row)
        return row, True

    def _episode(
        self,
        episode: str,
        mine: Sequence[Placed],
        links: Mapping[str, str],
        belongs: Mapping[str, Mapping[str, str]],
        placed: Sequence[Placed],
    ) -> tuple[Snapshot, Lens]:
        access, now = self.request.access, self.request.received.text
        row, new = self._row(episode, mine, placed)
        before, lens = load(self.writer, access, row)
        batch = [
            Stored(one.incoming.type, one.id, (one.current.version if one.current else 0) + 1, now, one.resource)
            for one in mine
        ]
        context = context_of(row, batch) if new else before.context
        lens.subjects = context.subjects
        received = lens.fold(batch)
        own = tuple(one for one in before.episode.received if not (one.inferred and _opens(received)))
        if new:
            own = () if _opens(received) else (inferred_opening(row),)
            before = Snapshot(row, Episode(episode), context, {}, {}, {})
        merged = Episode(episode, own).adding(received)
        after = computed(read_back(row, merged, context, lens))
        stamp, status = self.request.new_id(), after.status
        version = self.writer.bump(access, episode, None if status == row.status else status, stamp=stamp)
        after = after.at(row._replace(version=version, status=status, stamp=stamp))
        self._store(mine, links, episode, belongs, version)
        method: Method = "PUT" if any(one.current is not None for one in mine) else "POST"
        provenance = provenance_put(self.request, method, (one.reference for one in mine), after)
        follow = [*following(before, after), provenance]
        self.writer.put(access, follow, now, version)
        self.writer.outbox(access, [told(episode, version, now)])
        logged = self.writer.entries(access, [one.entry.id for one in received])
        rows = [
            EntryRow(one.entry.id, digest_of(one.entry), now, episode) for one in received if one.entry.id not in logged
        ]
        if rows:
            self.writer.log_entries(access, rows)
        return after, lens

    def _store(
        self,
        mine: Sequence[Placed],
        links: Mapping[str, str],
        episode: str | None,
        belongs: Mapping[str, Mapping[str, str]],
        version: int | None,
    ) -> None:
        """Write the received resources; those that another of their episodes shows already are joined to this one."""
        puts = []
        further: list[tuple[str, str, str | None]] = []
        for one in mine:
            bases = belongs.get(one.reference, {})
            if episode is not None and episode != min(bases):
                further.append((one.incoming.type, one.id, bases[episode]))
                continue
            tokens, references = indexed(one.resource or {})
            basis = bases.get(episode) if episode is not None else None
            method: Method = "PUT" if one.incoming.method == "PUT" or one.current is not None else "POST"
            body = _spliced(one.incoming.text, one.id, links)
            puts.append(Put(one.incoming.type, one.id, "asserted", method, body, tokens, references, episode, basis))
        if puts:
            self.writer.put(self.request.access, puts, self.request.received.text, version)
        if further and episode is not None and version is not None:
            self.writer.join(self.request.access, episode, version, further)

    def _unchanged(self, one: Placed) -> bool:
        return (
            one.current is not None
            and one.current.body is not None
            and same_content(one.resource or {}, parse(one.current.body))
        )


def write_resources(
    writer: Writer, request: Request, incoming: Sequence[Incoming], *, importing: bool
) -> tuple[list[Written], list[Snapshot]]:
    """Return what became of each resource of a request, and the episodes as they now stand.

    Errors: BusinessRuleError if a client writes what is assembled or computed here (in an import it is ignored);
            PreconditionFailedError if a condition does not hold. Nothing is written then.
    """
    work = _Work(writer, request, importing, {})
    placed, snapshots, receipt = work.run(incoming)
    current = writer.get_many(request.access, [(one.incoming.type, one.id) for one in placed])
    written = []
    for one in placed:
        stands = current.get((one.incoming.type, one.id))
        before = one.current.version if one.current is not None else None
        fresh = stands is not None and not one.found and stands.version != before
        written.append(
            Written(stands, created=fresh and not one.living, written=fresh, receipt=receipt, reference=one.reference)
        )
    return written, snapshots


def episode_named(resource: Mapping[str, Any]) -> str | None:
    """Return the episode whose anchor this is, if it carries our episode identifier and the id that goes with it."""
    if resource.get("resourceType") != "Procedure":
        return None
    for one in resource.get("identifier", ()):
        if one.get("system") == EPISODE_ID and resource.get("id") == f"{one.get('value')}.anchor":
            return str(one["value"])
    return None


def _spliced(text: bytes, id_: str, links: Mapping[str, str]) -> Any:
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


def _opens(received: Sequence[Received]) -> bool:
    return any(one.entry.kind == "opening" for one in received)


def _stated_facility(anchor: Mapping[str, Any]) -> str:
    """Return the facility a partner's anchor names: on whose behalf it was done, or where."""
    for performer in anchor.get("performer", ()):
        behalf = performer.get("onBehalfOf", {})
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
_ENTRIES_FOR = {
    "Procedure": "a placement, removal or decision entry",
    "DeviceUseStatement": "a placement or removal entry",
    "Flag": "a placement or removal entry",
}
