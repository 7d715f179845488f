"""Bedside entries: judged one by one, each accepted, or held with the reason; the plan writes nothing itself."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import Any

from fhirmod.compute import label_findings
from fhirmod.episode import DeviceFacts, Entry, Episode, Opening, Received, Retraction, read_entry, root_of
from fhirmod.errors import Finding, InvalidError
from fhirmod.mapping import Context, Image, images, retraction_image
from fhirmod.r4 import dump, parse
from fhirmod.store import EntryRow, HeldRow, Put, Reader

from .putting import put_image
from .receipt import EntryResult
from .request import Request
from .snapshot import Snapshot

_NAMES_PLACEMENT = ("placement", "preparation")


@dataclass(frozen=True, slots=True)
class Sent:
    """One entry as sent: what was received, and what could be read of it."""

    document: Any
    entry: Entry | None
    findings: tuple[Finding, ...] = ()

    @property
    def id(self) -> str | None:
        if self.entry is not None:
            return self.entry.id
        given = self.document.get("id") if isinstance(self.document, Mapping) else None
        return given if isinstance(given, str) else None


@dataclass
class Judgement:
    """What a queue comes to: results in order, the entries accepted, and rows to write for them."""

    results: list[EntryResult] = field(default_factory=list)
    released: list[EntryResult] = field(default_factory=list)
    received: list[Received] = field(default_factory=list)
    puts: list[Put] = field(default_factory=list)
    log: list[EntryRow] = field(default_factory=list)
    hold: list[HeldRow] = field(default_factory=list)
    release: list[str] = field(default_factory=list)
    kinds: set[str] = field(default_factory=set)
    roots: set[str] = field(default_factory=set)


def read_sent(document: Any, request: Request) -> Sent:
    """Return an entry as sent; what the sender may leave out (recorded_at) is the moment of receipt."""
    try:
        filled = {"recorded_at": request.received, **document} if isinstance(document, Mapping) else document
        return Sent(document, read_entry(filled))
    except InvalidError as wrong:
        return Sent(document, None, wrong.findings)


def digest_of(entry: Entry) -> bytes:
    """Return what tells a repeat from a conflict: the entry without the moment it was written down."""
    document = entry.document()
    document.pop("recorded_at")
    return sha256(dump({name: document[name] for name in sorted(document)})).digest()


def judge(reader: Reader, request: Request, snapshot: Snapshot, queue: Sequence[Sent], *, distinct: bool) -> Judgement:
    """Return what becomes of a queue, each entry judged alone, in order; what was waiting for one of them follows."""
    judge_ = _Judge(reader, request, snapshot, distinct=distinct)
    for sent in queue:
        judge_.take(sent)
    return judge_.outcome


class _Judge:
    """The state while a queue is judged: the episode as it grows, and what is known of each id."""

    def __init__(self, reader: Reader, request: Request, snapshot: Snapshot, *, distinct: bool) -> None:
        self._reader, self._request, self._snapshot, self._distinct = reader, request, snapshot, distinct
        self._episode = snapshot.episode
        self._context = snapshot.context
        self._held = {row.key: row for row in reader.held(request.access, snapshot.row.id)}
        self.outcome = Judgement()

    def take(self, sent: Sent) -> None:
        """Judge one entry and keep the outcome."""
        if sent.entry is None:
            self._keep_for_repair(sent, "refused", sent.findings)
            return
        entry = self._normal(sent.entry)
        known = self._known(entry)
        if known is not None:
            self._repeated(sent, sent.entry, known)
            return
        if (finding := self._refusal(entry)) is not None:
            self._keep_for_repair(sent, "refused", (finding,))
            return
        if (original := self._waits_for(entry)) is not None:
            self._wait(sent, entry, original)
            return
        if (twin := self._twin(entry)) is not None:
            sentence = (
                f"The {entry.kind} entry {entry.id} says the same as the entry {twin.id} by another recorder; "
                "send it again with distinct=true if it is another act."
            )
            finding = Finding("warning", "same-act", "duplicate", "entry", sentence)
            self._keep_for_repair(sent, "ask", (finding,))
            return
        self._accept(sent, entry, digest_of(sent.entry))

    def _known(self, entry: Entry) -> EntryRow | None:
        for row in self.outcome.log:
            if row.entry_id == entry.id:
                return row
        return self._reader.entry(self._request.access, entry.id)

    def _repeated(self, sent: Sent, entry: Entry, known: EntryRow) -> None:
        if known.episode_id == self._snapshot.row.id and known.digest == digest_of(entry):
            self.outcome.results.append(EntryResult(sent.id, "repeat"))
            return
        sentence = (
            f"The entry id {entry.id} was already used for an entry that says something else; "
            "a new entry needs a new id, and a change is a correction that names this one."
        )
        finding = Finding("error", "entry-conflict", "conflict", "id", sentence)
        self.outcome.results.append(EntryResult(sent.id, "conflict", (finding,)))

    def _refusal(self, entry: Entry) -> Finding | None:
        if isinstance(entry, Opening) and entry.corrects is None:
            sentence = "The episode is open already; a second opening is a correction that names the first in corrects."
            return Finding("error", "second-opening", "business-rule", "kind", sentence)
        original = self._episode.by_id.get(entry.corrects) if entry.corrects else None
        if original is not None and original.entry.kind != entry.kind:
            sentence = (
                f"The correction {entry.id} is a {entry.kind} but the entry it corrects is a {original.entry.kind}; "
                "a correction keeps the kind: retract that entry and add a new one."
            )
            return Finding("error", "correction-kind", "business-rule", "kind", sentence)
        if isinstance(entry, Retraction) and isinstance(self._head(entry.retracts), Opening):
            sentence = "The opening cannot be retracted while the episode has it as its root; retract its entries."
            return Finding("error", "opening-retracted", "business-rule", "retracts", sentence)
        return None

    def _head(self, entry_id: str) -> Entry | None:
        return self._episode.chains.heads.get(root_of(entry_id, self._episode.chains.by_id))

    def _waits_for(self, entry: Entry) -> str | None:
        named = entry.corrects or (entry.retracts if isinstance(entry, Retraction) else None)
        if named is None or root_of(named, self._episode.chains.by_id) in self._episode.chains.heads:
            return None
        return named

    def _twin(self, entry: Entry) -> Entry | None:
        """Return a standing entry of another recorder with the same content at the same instant, if any."""
        if self._distinct or entry.corrects or entry.recorded_by is None or entry.kind in ("retraction", "note"):
            return None
        for other in self._episode.chains.standing:
            if (
                other.kind == entry.kind
                and other.at == entry.at
                and other.recorded_by is not None
                and other.recorded_by.id != entry.recorded_by.id
                and _content(other) == _content(entry)
            ):
                return other
        return None

    def _normal(self, entry: Entry) -> Entry:
        """Return the entry with the balloons it names called by the first entry of their chain."""
        by_id = self._episode.chains.by_id
        named = {name: getattr(entry, name, None) for name in _NAMES_PLACEMENT}
        roots = {name: root_of(value, by_id) for name, value in named.items() if value}
        changed = {name: root for name, root in roots.items() if root != named[name]}
        return entry.model_copy(update=changed) if changed else entry

    def _accept(self, sent: Sent, entry: Entry, digest: bytes) -> None:
        now = self._request.now
        outcome = self.outcome
        before = self._episode
        received = Received(entry, now)
        self._episode = before.adding([received])
        made = self._images(before, entry)
        references = tuple(dict.fromkeys(image.reference for image in made))
        outcome.received.append(received)
        fresh = entry.corrects is None and not isinstance(entry, Retraction)
        outcome.puts += [
            put_image(image, "asserted", self._snapshot.row.id, "entry", "POST" if fresh else "PUT") for image in made
        ]
        outcome.log.append(EntryRow(entry.id, digest, self._request.received.text, self._snapshot.row.id))
        findings = tuple(label_findings(entry)) if isinstance(entry, DeviceFacts) else ()
        outcome.results.append(EntryResult(sent.id, "accepted", findings, references))
        self._release(entry.id)

    def _images(self, before: Episode, entry: Entry) -> list[Image]:
        """Return all that is to be written for an accepted entry: its own image, and what stands afterwards."""
        chains = self._episode.chains
        own_root = root_of(entry.id, chains.by_id)
        self.outcome.kinds.add(entry.kind)
        self.outcome.roots.add(own_root)
        made: list[Image] = []
        if isinstance(entry, Retraction):
            target = root_of(entry.retracts, chains.by_id)
            made += self._taken_back(target)
            covered = [image.reference for image in made] or [f"Provenance/{target}.retraction"]
            made.append(retraction_image(entry, self._context, root=own_root, targets=covered))
            return made
        if entry.corrects is not None:
            kept = images(entry, self._context, root=own_root)
            made += _vanished(before.chains.heads[own_root], kept, self._context, own_root) + kept
            head = chains.heads[own_root]
            stands = chains.stands(own_root)
            if head.id != entry.id or not stands:
                winner = images(head, self._context, root=own_root, withdrawn=not stands)
                made += _vanished(entry, winner, self._context, own_root) + winner
            return made
        return images(entry, self._context, root=entry.id)

    def _taken_back(self, root: str) -> list[Image]:
        """Return the images of a chain as a retraction (or its undoing) leaves it."""
        chains = self._episode.chains
        head = chains.heads[root]
        stands = chains.stands(root)
        self.outcome.kinds.add(head.kind)
        self.outcome.roots.add(root)
        if not isinstance(head, Retraction):
            return images(head, self._context, root=root, withdrawn=not stands)
        target = root_of(head.retracts, chains.by_id)
        return self._taken_back(target) if target in chains.heads and target != root else []

    def _keep_for_repair(self, sent: Sent, status: Any, findings: tuple[Finding, ...]) -> None:
        raw = dump(sent.document)
        key = sent.id or sha256(raw).hexdigest()
        sentence = " ".join(finding.sentence for finding in findings)
        row = HeldRow(self._snapshot.row.id, key, "repair", None, sent.id, raw, sentence, self._request.received.text)
        self._hold(row)
        self.outcome.results.append(EntryResult(sent.id, status, findings))

    def _wait(self, sent: Sent, entry: Entry, original: str) -> None:
        sentence = f"The entry {entry.id} waits for the entry {original}, which has not arrived."
        finding = Finding("information", "waiting-for-original", "informational", "corrects", sentence)
        raw = dump({"recorded_at": entry.recorded_at.text, **sent.document})
        row = HeldRow(
            self._snapshot.row.id,
            entry.id,
            "original",
            original,
            entry.id,
            raw,
            sentence,
            self._request.received.text,
        )
        self._hold(row)
        self.outcome.results.append(EntryResult(sent.id, "waiting", (finding,)))

    def _hold(self, row: HeldRow) -> None:
        self._held[row.key] = row
        self.outcome.hold = [*(one for one in self.outcome.hold if one.key != row.key), row]

    def _release(self, arrived: str) -> None:
        """Let go of what was held under this id, and take in what waited for it."""
        if arrived in self._held:
            del self._held[arrived]
            self.outcome.release.append(arrived)
        for row in [row for row in self._held.values() if row.waits_for == arrived]:
            del self._held[row.key]
            self.outcome.release.append(row.key)
            self.outcome.hold = [one for one in self.outcome.hold if one.key != row.key]
            sent_so_far = len(self.outcome.results)
            self.take(read_sent(parse(row.body), self._request))
            self.outcome.released += self.outcome.results[sent_so_far:]
            del self.outcome.results[sent_so_far:]


def _vanished(before: Entry, after: list[Image], context: Context, root: str) -> list[Image]:
    """Return the parts that an entry had and its successor has not, taken back."""
    kept = {image.reference for image in after}
    return [image for image in images(before, context, root=root, withdrawn=True) if image.reference not in kept]


def _content(entry: Entry) -> dict[str, Any]:
    """Return what an entry says, without who, when recorded, and in answer to what."""
    return entry.model_dump(include=set(type(entry).model_fields) - set(Entry.model_fields))
