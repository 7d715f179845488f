"""A case from entries to FHIR and back, through the one path of every write, with a store that is gone afterwards."""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from fhirmod.episode import Episode, Protocol
from fhirmod.errors import InvalidError
from fhirmod.intake import Intake, Request
from fhirmod.mapping import BASE
from fhirmod.r4 import dump, entry_texts, parse
from fhirmod.store import open_store

from .case import case_bundle

_MOST = 1_000_000
_TAKEN = frozenset({"accepted", "repeat"})


@dataclass(frozen=True, slots=True)
class AsFhir:
    """A case as a Bundle, and one sentence for each entry that could not become part of it."""

    bundle: bytes
    lost: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AsEntries:
    """An episode as its opening and entries, and one sentence for each resource that was not read as an entry."""

    episode: Episode
    opening: dict[str, Any]
    entries: list[dict[str, Any]]
    lost: tuple[str, ...]


class Converter:
    """Converts case after case; what it was given is forgotten when its block ends."""

    def __init__(self, intake: Intake, request: Request) -> None:
        self._intake, self._request = intake, request

    def to_fhir(
        self,
        opening: Mapping[str, Any],
        entries: Sequence[Any],
        *,
        type: Literal["collection", "transaction"] = "transaction",
    ) -> AsFhir:
        """Return a case of bedside entries as a Bundle.

        Errors: InvalidError if the opening is unusable; an entry that is unusable is left out and said.
        """
        snapshot, _ = self._intake.open(self._request, opening)
        receipt = self._intake.append(self._request, snapshot.row.id, entries, distinct=True)
        released = {one.id for one in receipt.released}
        lost = [
            f"entry {one.id or number}: {' '.join(finding.sentence for finding in one.findings) or one.status}"
            for number, one in enumerate(receipt.entries)
            if one.status not in _TAKEN and one.id not in released
        ]
        access, name = self._request.access, snapshot.row.id
        bundle = self._intake.store.read(lambda reader: case_bundle(reader, access, name, BASE, type=type))
        return AsFhir(bundle, tuple(lost))

    def to_entries(self, bundle: bytes) -> list[AsEntries]:
        """Return the episodes of a Bundle of any type, or of one resource, as entries.

        Errors: UnreadableError, InvalidError; also if nothing in it is the anchor of a tamponade.
        """
        before = self._episodes()
        _, receipt = self._intake.transaction(self._request, as_transaction(bundle))
        named = [one for one in self._episodes() if one not in before]
        lost = tuple(f"{one.reference}: {one.reason}" for one in receipt.unread)
        if not named:
            raise InvalidError(
                "No Procedure in it has the code of a uterine balloon tamponade (uterine-balloon-tamponade in "
                f"{BASE}/CodeSystem/tamponade), so nothing in it is an episode; "
                + (lost[0] if lost else "it is empty.")
            )
        found: list[AsEntries] = []
        for episode in named:
            read = self._intake.snapshot(self._request.access, episode).episode
            documents = [one.entry.document() for one in read.received]
            opening = next(one for one in documents if one["kind"] == "opening")
            entries = [one for one in documents if one is not opening]
            found.append(AsEntries(read, opening, entries, lost if not found else ()))
        return found

    def _episodes(self) -> list[str]:
        access = self._request.access
        return [row.id for row in self._intake.store.read(lambda reader: reader.episodes(access, limit=_MOST))]


@contextmanager
def conversion(request: Request) -> Iterator[Converter]:
    """Return a converter for the length of a block; `request` says when it happens and where new ids come from."""
    with TemporaryDirectory() as folder, open_store(f"sqlite:///{Path(folder) / 'conversion.db'}") as store:
        yield Converter(Intake(store, Protocol.default()), request)


def as_transaction(text: bytes) -> bytes:
    """Return a transaction that puts every resource of a Bundle (or the one resource) at its own id.

    Shape: a resource's text stays as it is; without an id it is posted.
    Errors: UnreadableError.
    """
    given = parse(text)
    if not isinstance(given, Mapping) or given.get("resourceType") != "Bundle":
        return _bundle([(given, text, None)])
    if given.get("type") == "transaction":
        return text
    entries = zip(given.get("entry", ()), entry_texts(text), strict=True)
    return _bundle([(one["resource"], exact, one.get("fullUrl")) for one, exact in entries if exact is not None])


def bundle_of_lines(lines: Sequence[bytes]) -> bytes:
    """Return a transaction of resources that came one on each line.

    Errors: UnreadableError, with the first line that is not JSON.
    """
    return _bundle([(parse(line), line, None) for line in lines])


def _bundle(resources: Sequence[tuple[Any, bytes, str | None]]) -> bytes:
    entries = []
    for resource, text, full_url in resources:
        if not isinstance(resource, Mapping) or not isinstance(resource.get("resourceType"), str):
            raise InvalidError("A resource must be a JSON object with resourceType.", place="resourceType")
        type_, id_ = resource["resourceType"], resource.get("id")
        request = {"method": "PUT", "url": f"{type_}/{id_}"} if id_ else {"method": "POST", "url": type_}
        named = b'"fullUrl":' + dump(full_url or f"{BASE}/{type_}/{id_}") + b"," if full_url or id_ else b""
        entries.append(b"{" + named + b'"resource":' + text + b',"request":' + dump(request) + b"}")
    return b'{"resourceType":"Bundle","type":"transaction","entry":[' + b",".join(entries) + b"]}"
