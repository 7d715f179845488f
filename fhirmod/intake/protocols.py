"""Site protocols kept with the record: an episode's verdicts use the version it was opened with.

Each version lies in the store as a Library that carries the file itself, found by the hash of its text.
"""

import threading
from base64 import b64decode, b64encode
from typing import Any

from fhirmod.episode import Episode, Opening, Protocol
from fhirmod.errors import InvalidError
from fhirmod.mapping import Image
from fhirmod.r4 import parse
from fhirmod.store import Access, Put, Reader, Store

from .putting import put_image

_TYPE = {"system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "asset-collection"}


def library_id(protocol_hash: str) -> str:
    """Return the id of the Library that keeps a protocol."""
    return f"protocol-{protocol_hash[:40]}"


def keep(reader: Reader, access: Access, protocol: Protocol) -> list[Put]:
    """Return the row that keeps a protocol, or none if it is kept already."""
    id_ = library_id(protocol.hash)
    if reader.get(access, "Library", id_) is not None:
        return []
    body: dict[str, Any] = {
        "resourceType": "Library",
        "id": id_,
        "version": protocol.version,
        "name": protocol.id,
        "status": "active",
        "type": {"coding": [_TYPE]},
        "content": [{"contentType": "application/toml", "data": b64encode(protocol.text).decode()}],
    }
    return [put_image(Image("Library", id_, body), "assembled", "", "")._replace(episode=None, basis=None)]


class Protocols:
    """The protocols of this process by hash: the site's current one, and those that episodes were opened with."""

    def __init__(self, current: Protocol) -> None:
        self.current = current
        self._lock = threading.Lock()
        self._known = {current.hash: current}

    def of(self, store: Store, access: Access, episode: Episode) -> Protocol:
        """Return the protocol an episode was opened with; where it is not kept here, the current one."""
        openings = [one for one in episode.standing() if isinstance(one, Opening)]
        stamp = openings[0].protocol if openings else None
        if stamp is None:
            return self.current
        with self._lock:
            known = self._known.get(stamp.hash)
        if known is None:
            known = self._kept(store, access, stamp.hash) or self.current
            with self._lock:
                self._known[stamp.hash] = known
        return known

    def _kept(self, store: Store, access: Access, protocol_hash: str) -> Protocol | None:
        version = store.read(lambda reader: reader.get(access, "Library", library_id(protocol_hash)))
        if version is None or version.body is None:
            return None
        try:
            found = Protocol.read(b64decode(parse(version.body)["content"][0]["data"]))
        except (InvalidError, LookupError, TypeError, ValueError):
            return None
        return found if found.hash == protocol_hash else None
