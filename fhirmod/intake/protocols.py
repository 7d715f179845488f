"""Site protocols kept with the record: an episode's verdicts use the version it was opened with.

Each version lies in the store as a Library that carries the file itself, found by the hash of its text.
"""

import threading
from base64 import b64decode, b64encode
from typing import Any

from fhirmod.episode import Opening, Protocol
from fhirmod.errors import InvalidError
from fhirmod.mapping import Image
from fhirmod.r4 import parse
from fhirmod.store import Access, EpisodeRow, Put, Reader

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

    def of(self, reader: Reader, access: Access, row: EpisodeRow) -> Protocol:
        """Return the protocol of an episode, the one named in its row; the current one if that is not kept here."""
        return self.kept(reader, access, row.protocol.rpartition(" ")[2]) or self.current

    def chosen(self, reader: Reader, access: Access, opening: Opening | None) -> Protocol:
        """Return the protocol that an episode's verdicts will use from its first row on.

        Shape: the one its opening names, if that is kept here; else the site's current one.
        """
        stamp = opening.protocol if opening is not None else None
        return (self.kept(reader, access, stamp.hash) if stamp is not None else None) or self.current

    def kept(self, reader: Reader, access: Access, protocol_hash: str) -> Protocol | None:
        """Return the protocol with this hash, or None if it is not kept here."""
        if not protocol_hash:
            return None
        with self._lock:
            known = self._known.get(protocol_hash)
        if known is None and (known := _stored(reader, access, protocol_hash)) is not None:
            with self._lock:
                self._known[protocol_hash] = known
        return known


def named(protocol: Protocol) -> str:
    """Return the words of an episode's row for its protocol: id and hash."""
    return f"{protocol.id} {protocol.hash}"


def _stored(reader: Reader, access: Access, protocol_hash: str) -> Protocol | None:
    version = reader.get(access, "Library", library_id(protocol_hash))
    if version is None or version.body is None:
        return None
    try:
        found = Protocol.read(b64decode(parse(version.body)["content"][0]["data"]))
    except (InvalidError, LookupError, TypeError, ValueError):
        return None
    return found if found.hash == protocol_hash else None
