"""Computing everything of an episode anew from what was asserted, and writing only what differs."""

from typing import Any

from fhirmod.mapping import Image, SiteCodes, derived_id, derived_image
from fhirmod.r4 import dump, parse
from fhirmod.store import Put, Version, Writer

from .incoming import same_content
from .overdue import looks
from .protocols import Protocols
from .putting import put_image, told
from .reading_back import load
from .request import Request
from .snapshot import Snapshot


def rebuilt(
    writer: Writer, request: Request, episode_id: str, protocols: Protocols, before: SiteCodes | None = None
) -> int:
    """Return how many resources of an episode were not as its entries say, and are now.

    Shape: `before` is the code map it was read with until now, if another is in force: an episode that says
           something else with the new one gets a new version even if nothing stored differs.
    """
    access = request.access
    row = writer.lock(access, episode_id)
    protocol = protocols.of(writer, access, row)
    snapshot, _ = load(writer, access, row, protocol)
    reread = before is not None and _said(load(writer, access, row, protocol, before)[0]) != _said(snapshot)
    stored: dict[str, Version] = {}
    for version in writer.members(access, episode_id):
        if version.owner != "asserted" and version.type != "Provenance":
            stored[f"{version.type}/{version.id}"] = version
    wanted = expected(snapshot)
    puts = [
        put_image(image, owner, episode_id, owner, "PUT" if reference in stored else "POST")
        for reference, (image, owner) in wanted.items()
        if not _stands(stored.get(reference), image.body)
    ]
    puts += [
        Put(version.type, version.id, version.owner, "DELETE", None, episode=episode_id, basis=version.owner)
        for reference, version in stored.items()
        if reference not in wanted and version.body is not None
    ]
    if puts or reread:
        now = writer.bump(access, episode_id, stamp=request.new_id())
        writer.put(access, puts, request.received.text, now)
        if reread:
            writer.outbox(access, [told(episode_id, now, request.received.text)])
    writer.put_jobs(access, looks(None, snapshot))
    return len(puts)


def _said(snapshot: Snapshot) -> Any:
    return snapshot.episode.standing(), snapshot.unread


def expected(snapshot: Snapshot) -> dict[str, tuple[Image, Any]]:
    """Return every assembled and derived resource that the entries call for, by reference, with its owner."""
    wanted: dict[str, tuple[Image, Any]] = {
        reference: (image, "assembled") for reference, image in snapshot.assembled.items()
    }
    for key, (value, entry) in (snapshot.summary | snapshot.local).items():
        image = derived_image(key, value, entry, snapshot.row.id, snapshot.context, snapshot.incomplete)
        wanted[f"Observation/{derived_id(key, snapshot.row.id)}"] = (image, "derived")
    return wanted


def _stands(version: Version | None, body: Any) -> bool:
    """Return whether the stored version says the same as an image (as text: a digit more is a difference)."""
    if version is None or version.body is None:
        return False
    return same_content(parse(dump(body)), parse(version.body))
