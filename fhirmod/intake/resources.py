"""The FHIR half of the intake: each write of R4's interactions, alone or in a transaction, down the one path."""

from collections.abc import Callable, Sequence
from contextlib import suppress
from typing import Any, TypeVar

from fhirmod.errors import FhirmodError, InvalidError, NotSupportedError
from fhirmod.r4 import parse
from fhirmod.store import Access, EpisodeRow, Reader, Store, Writer

from .catching_up import caught_up
from .exchanged import Site, Written, write_resources
from .incoming import Incoming, read_resource, said_at
from .patching import Patch, read_patch
from .reading_back import load
from .receipt import Receipt
from .request import Request
from .snapshot import Snapshot, Snapshots
from .transaction import Asked, read_transaction

T = TypeVar("T")


class Resources:
    """What writes FHIR resources to a store; `Intake` is it together with the bedside's half."""

    store: Store
    _snapshots: Snapshots
    _site: Site

    def at(self, reader: Reader, access: Access, row: EpisodeRow) -> Snapshot:
        """Return the snapshot of exactly this row: cached, an earlier one and what is newer, or all read back."""
        found = self._snapshots.at(row)
        if found is None and (before := self._snapshots.before(row)) is not None:
            found = caught_up(reader, access, before, row)
        if found is None:
            found, _ = load(reader, access, row, self._site.protocols.of(reader, access, row))
        return found

    def create(self, request: Request, type: str, text: bytes, *, if_none_exist: str | None = None) -> Written:
        """Return what became of a created resource; an image of an entry keeps its id.

        Errors: UnreadableError, InvalidError, BusinessRuleError; PreconditionFailedError if If-None-Exist matches
                several.
        """
        resource = read_resource(text, type)
        return self._one(request, Incoming("POST", type, text, resource, condition=if_none_exist))

    def update(
        self,
        request: Request,
        type: str,
        id: str | None,
        text: bytes,
        *,
        condition: str | None = None,
        if_match: str | None = None,
        if_none_match: str | None = None,
    ) -> Written:
        """Return what became of an updated (or, under the client's id, created) resource; one that says the same is
        not written again. An update of an entry's image is read as a correction of that entry.

        Shape:  with a `condition` instead of an `id`, the resource that it matches, or a new one.
        Errors: UnreadableError, InvalidError (also if the body's id is not the address's), BusinessRuleError;
                PreconditionFailedError if If-Match names another version, or the condition matches several.
        """
        resource = read_resource(text, type)
        if condition is None and resource.get("id") != id:
            got = "none" if "id" not in resource else "another"
            raise InvalidError(f"The resource's id must be that of the address, {id}; got {got}.", place=f"{type}.id")
        incoming = Incoming(
            "PUT", type, text, resource, id, condition=condition, if_match=if_match, if_none_match=if_none_match
        )
        return self._one(request, incoming)

    def patch(
        self,
        request: Request,
        type: str,
        id: str | None,
        document: Any,
        *,
        condition: str | None = None,
        if_match: str | None = None,
    ) -> Written:
        """Return what became of a patched resource: JSON Patch (a list) or FHIRPath Patch (Parameters).

        Errors: as `update`; NotFoundError or GoneError if there is nothing to patch.
        """
        patch = read_patch(document)
        if id is not None:
            self._try(request, type, id, patch)
        return self._one(request, Incoming("PATCH", type, id=id, condition=condition, if_match=if_match, patch=patch))

    def _try(self, request: Request, type_: str, id_: str, patch: Patch) -> None:
        """Return nothing; the patch was applied to what stands now, so that it need not be inside the lock."""
        current = self.store.read(lambda reader: reader.get(request.access, type_, id_))
        if current is not None and current.body is not None:
            with suppress(FhirmodError):  # said where it counts: the version may be another one then
                patch.applied(current)

    def delete(
        self,
        request: Request,
        type: str,
        id: str | None,
        *,
        condition: str | None = None,
        if_match: str | None = None,
    ) -> Written:
        """Return what became of a deleted resource; deleting what is not there is no error. Deleting an entry's last
        image retracts the entry.

        Errors: BusinessRuleError for what is assembled or computed here; ConflictError for what others still need;
                PreconditionFailedError if If-Match names another version, or the condition matches several.
        """
        return self._one(request, Incoming("DELETE", type, id=id, condition=condition, if_match=if_match))

    def transaction(self, request: Request, text: bytes) -> tuple[tuple[Written, ...], Receipt]:
        """Return what became of each entry of a transaction Bundle: all of it, or nothing was written.

        Shape: what is assembled or computed here is ignored and said so in the receipt.
        Errors: as the single writes, with the place inside the Bundle; NotSupportedError if it asks for reads.
        """
        results, receipt = self.bundle(request, text, parse(text), _no_reads)
        return tuple(one for one in results if isinstance(one, Written)), receipt

    def bundle(
        self, request: Request, text: bytes, parsed: Any, answer: Callable[[Reader, Asked], T]
    ) -> tuple[list[Written | T], Receipt]:
        """Return what became of each entry of a transaction Bundle, and the answer to each of its questions.

        Shape:  `parsed` is the text as `parse` gives it. `answer` is asked inside the transaction, when all is
                written; it may run twice.
        Errors: as `transaction`, and what `answer` raises: then nothing was written either.
        """
        asked = read_transaction(text, parsed, request.base)
        incoming = [one for one in asked if isinstance(one, Incoming)]

        def answers(writer: Writer) -> list[T]:
            found = []
            for one in asked:
                if isinstance(one, Asked):
                    with said_at(one.place):
                        found.append(answer(writer, one))
            return found

        written, answered = self._write_resources(request, incoming, importing=True, answers=answers)
        receipt = written[0].receipt if written else Receipt(None, 0)
        writes, reads = iter(written), iter(answered)
        return [next(writes) if isinstance(one, Incoming) else next(reads) for one in asked], receipt

    def _one(self, request: Request, incoming: Incoming) -> Written:
        [written], _ = self._write_resources(request, [incoming], importing=False)
        return written

    def _write_resources(
        self,
        request: Request,
        incoming: Sequence[Incoming],
        *,
        importing: bool,
        answers: Callable[[Writer], list[Any]] = lambda _: [],
    ) -> tuple[list[Written], list[Any]]:
        def work(writer: Writer) -> tuple[list[Written], list[Snapshot], list[Any]]:
            written, snapshots = write_resources(writer, request, incoming, self._site, at=self.at, importing=importing)
            result = (written, snapshots, answers(writer))
            if request.dry_run:
                raise _Tried(written, result[2])
            return result

        try:
            written, snapshots, answered = self.store.write(work)
        except _Tried as tried:
            return tried.written, tried.answered
        for snapshot in snapshots:
            self._snapshots.keep(snapshot)
        return written, answered


def _no_reads(reader: Reader, asked: Asked) -> Any:
    raise NotSupportedError(f"This transaction takes writes only; got {asked.method}.", place="request.method")


class _Tried(Exception):  # noqa: N818  not an error: how a dry run leaves nothing behind
    """The answer of a dry run, raised so that its work is rolled back."""

    def __init__(self, written: list[Written], answered: list[Any]) -> None:
        super().__init__("dry run")
        self.written, self.answered = written, answered
