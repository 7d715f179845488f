"""The one path of every write, bedside or FHIR, and reading an episode back.

::

    parse and check (outside) -> lock -> read the episode at that version -> judge or read -> store asserted
      -> compute and assemble what can have changed -> store the differences -> outbox -> commit -> publish
"""

from collections.abc import Collection, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

from fhirmod.episode import Opening, Protocol
from fhirmod.errors import ConflictError, Finding, InvalidError, NotFoundError
from fhirmod.mapping import SiteCodes
from fhirmod.r4 import RESOURCE_TYPES, parse
from fhirmod.store import Access, EpisodeRow, Reader, Store, Writer
from fhirmod.validation import findings

from .appending import write_judged
from .bedside import Judgement, Sent, digest_of, judge, read_sent
from .code_map import adopt, in_force, put_in_force
from .exchanged import Site
from .indexing import values
from .opening import opened, read_opening
from .protocols import Protocols, keep
from .rebuilding import rebuilt
from .receipt import EntryResult, Receipt
from .request import Request
from .resources import Resources
from .snapshot import Snapshot, Snapshots

_INDEX = "index"  # what a revision of the tables says is to be made anew
_AT_ONCE = 500  # resources indexed anew in one transaction


class Intake(Resources):
    """Everything that writes to a store, and the snapshots it keeps; one for each store in a process."""

    def __init__(self, store: Store, protocol: Protocol, facilities: Collection[str] = ()) -> None:
        """Take the store, the site's current protocol, and the facilities that records are kept for here.

        Shape: without `facilities`, each record is kept for the facility that opened it; where a case arrives from
               another service, custody is then never here.
        """
        self.store = store
        self.protocol = protocol
        self.facilities = tuple(facilities)
        self._protocols = Protocols(protocol)
        self._site = Site(self._protocols, self.facilities)
        self._snapshots = Snapshots()

    # reading

    def snapshot(self, access: Access, episode_id: str) -> Snapshot:
        """Return the episode as it now stands.

        Errors: NotFoundError if there is no such episode.
        """

        def work(reader: Reader) -> Snapshot:
            row = reader.episode(access, episode_id)
            if row is None:
                raise NotFoundError(f"There is no episode {episode_id!r}; open it first.", place="episode")
            return self.at(reader, access, row)

        snapshot = self.store.read(work)
        self._snapshots.keep(snapshot)
        return snapshot

    # bedside

    def open(self, request: Request, document: Any) -> tuple[Snapshot, EntryResult]:
        """Return the opened episode and whether the opening was accepted or a repeat.

        Errors: InvalidError naming the field; ConflictError if the id was used for something else.
        """
        entry = read_opening(document, request, self.protocol)

        def work(writer: Writer) -> tuple[Snapshot, EntryResult]:
            known = writer.entry(request.access, entry.id)
            if known is not None:
                return self._reopened(writer, request, entry, document)
            protocol = self._protocols.chosen(writer, request.access, entry)
            kept = keep(writer, request.access, protocol)
            snapshot = opened(writer, request, entry, protocol, self.facilities, kept)
            context = snapshot.context
            made = tuple(one for one in (context.subject, context.encounter, context.anchor) if one is not None)
            return snapshot, EntryResult(entry.id, "accepted", (), made)

        snapshot, result = self.store.write(work)
        self._snapshots.keep(snapshot)
        return snapshot, result

    def _reopened(
        self, writer: Writer, request: Request, entry: Opening, document: Any
    ) -> tuple[Snapshot, EntryResult]:
        there = writer.episode(request.access, entry.id) is not None
        snapshot = self.at(writer, request.access, writer.lock(request.access, entry.id)) if there else None
        first = None if snapshot is None else snapshot.episode.by_id[entry.id].entry
        if snapshot is None or not isinstance(first, Opening):
            raise ConflictError(
                f"The id {entry.id} was already used for another entry; open the episode with a new id.",
                place="id",
            )
        same = entry.model_copy(update={"protocol": first.protocol}) if "protocol" not in document else entry
        if digest_of(same) != digest_of(first):
            raise ConflictError(
                f"The episode {entry.id} was opened with other words; correct its opening instead.",
                place="id",
            )
        return snapshot, EntryResult(entry.id, "repeat")

    def append(
        self,
        request: Request,
        episode_id: str,
        documents: Sequence[Any],
        *,
        atomic: bool = False,
        distinct: bool = False,
    ) -> Receipt:
        """Return what became of each entry of a queue; each is judged alone unless `atomic`.

        Errors: NotFoundError if there is no such episode; with `atomic`, InvalidError with all findings if any
                entry is refused, in conflict, or asked about: then nothing was written.
        """
        queue = [read_sent(document, request) for document in documents]
        if request.dry_run:
            return self.store.read(lambda reader: self._tried(reader, request, episode_id, queue, distinct=distinct))

        def work(writer: Writer) -> tuple[Snapshot, Receipt]:
            row = writer.lock(request.access, episode_id)
            before = self.at(writer, request.access, row)
            judged = judge(writer, request, before, queue, distinct=distinct)
            if atomic:
                _all_or_none(judged)
            after = write_judged(writer, request, before, judged)
            self._snapshots.keep(after, committed=False)
            return after, Receipt(episode_id, after.row.version, tuple(judged.results), tuple(judged.released))

        snapshot, receipt = self.store.write(work)
        self._snapshots.keep(snapshot)
        return replace(receipt, findings=self.open_findings(request, snapshot))

    def open_findings(self, request: Request, snapshot: Snapshot) -> tuple[Finding, ...]:
        """Return what the rules of the bedside's tiers find now; computed after the commit, nothing waits for it."""
        return findings(
            snapshot.episode,
            as_of=request.now,
            protocol=snapshot.protocol,
            tiers=("now", "soon"),
            kept_for=snapshot.kept_for,
        )

    def _tried(
        self, reader: Reader, request: Request, episode_id: str, queue: Sequence[Sent], *, distinct: bool
    ) -> Receipt:
        row = reader.episode(request.access, episode_id)
        if row is None:
            raise NotFoundError(f"There is no episode {episode_id!r}; open it first.", place="episode")
        judged = judge(reader, request, self.at(reader, request.access, row), queue, distinct=distinct)
        return Receipt(episode_id, row.version, tuple(judged.results), tuple(judged.released), dry_run=True)

    # upkeep

    def code_map(self, access: Access) -> SiteCodes:
        """Return the site's code map that this record is read with; an empty one if it has none."""
        return self.store.read(lambda reader: in_force(reader, access))

    def use_code_map(self, request: Request, codes: SiteCodes) -> None:
        """Return nothing; the record is read with this code map.

        Errors: ConflictError if it has episodes that were read with another one: then `rebuild` reads them anew.
        """
        self.store.write(lambda writer: adopt(writer, request, codes))

    def rebuild(self, request: Request, codes: SiteCodes | None = None) -> int:
        """Return how many assembled and derived resources differed from what the entries say, now written anew.

        On any store this software wrote, that is none; after an upgrade of the sums it is the re-derived ones. With
        another code map (`codes`) everything is read anew with that one, which is in force from then on.
        """
        before = None
        if codes is not None:
            before = self.code_map(request.access)
            self.store.write(lambda writer: put_in_force(writer, request, codes))
        changed, after = 0, None
        while rows := self._episodes(request.access, after):
            for row in rows:
                changed += self._rebuild(request, row.id, before)
                after = row.id
        self.reindex(request.access)
        return changed

    def index_waits(self, access: Access) -> bool:
        """Return whether the record is of an earlier software, and is found by nothing until `reindex`."""
        return _INDEX in self.store.read(lambda reader: reader.upkeep(access))

    def reindex(self, access: Access) -> None:
        """Return nothing; every resource is found by what this software finds it by, whatever wrote it."""
        for type_ in sorted(RESOURCE_TYPES):
            self._reindex(access, type_)
        self.store.write(lambda writer: writer.keep_up(access, _INDEX))

    def _reindex(self, access: Access, type_: str) -> None:
        after: str | None = None
        while True:
            page = self.store.read(partial(Reader.search, access=access, type_=type_, after=after, count=_AT_ONCE))
            found = {
                (one.type, one.id): (one.version, values(parse(one.body)))
                for one in page.versions
                if one.body is not None
            }
            if found:
                self.store.write(partial(Writer.reindex, access=access, values=found))
            after = page.next
            if after is None:
                return

    def _episodes(self, access: Access, after: str | None) -> list[EpisodeRow]:
        return self.store.read(lambda reader: reader.episodes(access, limit=100, after=after))

    def _rebuild(self, request: Request, episode_id: str, before: SiteCodes | None) -> int:
        return self.store.write(lambda writer: rebuilt(writer, request, episode_id, self._protocols, before))


def _all_or_none(judged: Judgement) -> None:
    wrong = [
        finding
        for result in judged.results
        for finding in result.findings
        if result.status not in ("accepted", "repeat")
    ]
    if wrong:
        raise InvalidError(
            "The queue was sent to be taken whole, and one of its entries cannot be.", findings=tuple(wrong)
        )
