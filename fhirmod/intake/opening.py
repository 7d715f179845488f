"""Opening an episode: facility and time are enough; the woman may be known, or only be called something."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from fhirmod import __version__
from fhirmod.episode import Episode, Facility, Opening, Protocol, ProtocolStamp, Received, Woman, read_entry
from fhirmod.errors import InvalidError
from fhirmod.mapping import CONFIDENTIALITY, DRILL, FACILITY_ID, Context, Image, images
from fhirmod.store import EntryRow, EpisodeRow, Put, Writer

from .bedside import digest_of
from .claims import identifier_name
from .overdue import looks
from .protocols import named
from .provenance import provenance_put
from .putting import following, put_image
from .request import Request
from .snapshot import Snapshot, computed


def read_opening(document: Any, request: Request, protocol: Protocol) -> Opening:
    """Return the opening entry; what may be left out (kind, id, recorded_at, protocol) is filled in.

    Errors: InvalidError with a finding for each field that is wrong.
    """
    if not isinstance(document, Mapping):
        raise InvalidError("An opening must be a JSON object with at least facility and at.", place="entry")
    stamp = ProtocolStamp(id=protocol.id, hash=protocol.hash, software=f"fhirmod {__version__}")
    defaults = {"kind": "opening", "id": request.new_id(), "recorded_at": request.received, "protocol": stamp}
    entry = read_entry({**defaults, **document})
    if not isinstance(entry, Opening):
        raise InvalidError(f"An episode is opened by an opening entry; got a {entry.kind}.", place="kind")
    if entry.corrects is not None:
        raise InvalidError("An opening that corrects another belongs to that episode's entries.", place="corrects")
    return entry


def opened(
    writer: Writer,
    request: Request,
    entry: Opening,
    protocol: Protocol,
    facilities: Collection[str] = (),
    beside: Sequence[Put] = (),
) -> Snapshot:
    """Return the new episode, written; `beside` is written with it.

    Shape: `protocol` is what its verdicts use, `facilities` those that this service keeps records for.
    """
    access, now = request.access, request.received.text
    organization, organization_puts = _organization(writer, request, entry.facility)
    patient, patient_puts = _patient(writer, request, entry, organization)
    anchor = f"{entry.id}.anchor"
    context = Context(
        f"Patient/{patient}",
        f"Procedure/{anchor}",
        f"Encounter/{entry.id}.encounter",
        entry.drill,
        organization=(entry.facility.id, f"Organization/{organization}"),
    )
    at = now if entry.instant is None else str(entry.at)
    stamp = entry.protocol
    row = EpisodeRow(
        id=entry.id,
        version=1,
        anchor_type="Procedure",
        anchor_id=anchor,
        opened_at=at,
        facility=entry.facility.id,
        drill=entry.drill,
        protocol=named(protocol),
        software=stamp.software if stamp else "",
        stamp=request.new_id(),
        kept_for="\n".join(sorted({*facilities, entry.facility.id})),
    )
    blank = Snapshot(row, Episode(entry.id, (Received(entry, request.now),)), context, {}, {}, {}, protocol)
    snapshot = computed(blank)
    writer.create_episode(access, row)
    puts = [put_image(image, "asserted", entry.id, "entry") for image in images(entry, context, root=entry.id)]
    puts += following(blank, snapshot)
    shared = [*organization_puts, *patient_puts]
    provenance = provenance_put(request, "POST", (f"{put.type}/{put.id}" for put in [*shared, *puts]), snapshot)
    writer.put(access, [*beside, *shared, *puts, provenance], now, 1)
    writer.put_jobs(access, looks(blank, snapshot))
    writer.log_entries(access, [EntryRow(entry.id, digest_of(entry), now, entry.id)])
    return snapshot


def _organization(writer: Writer, request: Request, facility: Facility) -> tuple[str, list[Put]]:
    """Return the id of the facility's Organization and, if it was not known here, the row for it.

    Shape: found by its identifier, whoever sent it; its id is random, as everywhere for who and where.
    """
    new_id = request.new_id()
    owner = _known_or_claimed(writer, request, "Organization", FACILITY_ID, facility.id, new_id)
    if owner != new_id:
        return owner, []
    body: dict[str, Any] = {
        "resourceType": "Organization",
        "id": new_id,
        "meta": {"security": [CONFIDENTIALITY]},
        "identifier": [{"system": FACILITY_ID, "value": facility.id}],
        "active": True,
        "name": facility.name or facility.id,
    }
    put = put_image(Image("Organization", new_id, body), "asserted", "", "")
    tokens = (("identifier", FACILITY_ID, facility.id),)
    return new_id, [put._replace(tokens=tokens, episode=None, basis=None)]


def _known_or_claimed(writer: Writer, request: Request, type_: str, system: str, value: str, new_id: str) -> str:
    """Return the id of who or what carries an identifier here; the new id if nobody did before."""
    known = writer.identified(request.access, type_, system, value)
    if not known:
        writer.claim(request.access, [identifier_name(type_, value)])
        known = writer.identified(request.access, type_, system, value)
    return known[0] if known else writer.claim_identity(request.access, type_, system, value, new_id)


def _patient(writer: Writer, request: Request, entry: Opening, organization: str) -> tuple[str, list[Put]]:
    """Return the patient's id and, if she was not known here, the row for her."""
    woman = entry.woman or Woman(label="woman, not yet identified")
    new_id = request.new_id()
    if woman.identifier is not None:
        system = woman.identifier_system or ""
        owner = _known_or_claimed(writer, request, "Patient", system, woman.identifier, new_id)
        if owner != new_id:
            return owner, []
    body: dict[str, Any] = {
        "resourceType": "Patient",
        "id": new_id,
        "meta": {"security": [CONFIDENTIALITY, DRILL] if entry.drill else [CONFIDENTIALITY]},
    }
    tokens: tuple[tuple[str, str, str], ...] = ()
    if woman.identifier is not None:
        identifier = {"system": woman.identifier_system, "value": woman.identifier}
        body["identifier"] = [{name: value for name, value in identifier.items() if value}]
        tokens = (("identifier", woman.identifier_system or "", woman.identifier),)
    if entry.woman is not None and woman.label is not None:
        body["name"] = [{"use": "anonymous", "text": woman.label}]
    body["managingOrganization"] = {"reference": f"Organization/{organization}"}
    put = put_image(Image("Patient", new_id, body), "asserted", entry.id, "patient")
    return new_id, [put._replace(tokens=tokens, episode=None, basis=None)]
