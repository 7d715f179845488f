"""What was judged is written: the entries' images, what follows from them, and what waited for one of them."""

from fhirmod.r4 import parse
from fhirmod.store import Writer

from .bedside import Judgement, judge, read_sent
from .overdue import looks
from .provenance import provenance_put
from .putting import following, told
from .receipt import EntryResult
from .request import Request
from .snapshot import Snapshot, advanced


def write_judged(writer: Writer, request: Request, before: Snapshot, judged: Judgement) -> Snapshot:
    """Return the episode after what was judged has been written."""
    access, now = request.access, request.received.text
    if judged.hold:
        writer.hold(access, judged.hold)
    if judged.release:
        writer.release(access, before.row.id, judged.release)
    if not judged.received:
        return before
    stamp = request.new_id()
    after = advanced(before, judged.received, frozenset(judged.kinds), judged.roots)
    status = after.status
    changed = None if status == before.row.status else status
    adds = before.episode.chains.begun_by(one.entry for one in judged.received)
    version = writer.bump(access, before.row.id, changed, stamp=stamp, adds=adds)
    read_back = before.row.read_back if adds else version
    after = after.at(before.row._replace(version=version, status=status, stamp=stamp, read_back=read_back))
    references = (f"{put.type}/{put.id}" for put in judged.puts)
    provenance = provenance_put(request, judged.puts[0].method, references, before)
    puts = [*judged.puts, *following(before, after), provenance]
    writer.put(access, puts, now, version)
    writer.log_entries(access, judged.log)
    writer.outbox(access, [told(before.row.id, version, now)])
    writer.put_jobs(access, looks(before, after))
    return after


def release_held(writer: Writer, request: Request, before: Snapshot) -> tuple[Snapshot, list[EntryResult]]:
    """Return the episode with the entries that had waited for an original that has now arrived as FHIR."""
    heads = before.episode.by_id
    held = [
        row
        for row in writer.held(request.access, before.row.id)
        if row.waiting == "original" and row.waits_for in heads
    ]
    if not held:
        return before, []
    judged = judge(writer, request, before, [read_sent(parse(row.body), request) for row in held], distinct=True)
    return write_judged(writer, request, before, judged), [*judged.results, *judged.released]
