"""A Composition as the document it is the first page of: a Bundle with all that it refers to, bytes as stored.

Source: http://hl7.org/fhir/R4/documents.html#content, composition-operation-document.html, bundle.html (bdl-9 to -11)
"""

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from fhirmod.errors import BusinessRuleError
from fhirmod.intake import target
from fhirmod.r4 import compartment_members, dump, parse, references
from fhirmod.store import Access, Reader, Version

from .following import Following, Led

_CARRIED = ("subject", "encounter", "author", "attester", "custodian", "event", "section")
_URN = "urn:ietf:rfc:3986"


def document_bundle(
    reader: Reader,
    access: Access,
    composition: Version,
    base: str,
    *,
    uuid: str,
    made: datetime,
    admit: Callable[[str], None] = lambda _: None,
) -> bytes:
    """Return the document of a Composition: it first, then each resource that it leads to, once.

    Shape:  what it names itself is carried; beyond that, references are followed within the records of the patients
            whom these are about. `admit` is asked of each type before the document is given, and raises where the
            caller may not see it: a document that lacks something is none.
    Errors: BusinessRuleError naming a reference of the Composition to what is not here: the document would lack it.
    """
    resource = parse(composition.body or b"{}")
    direct = {}
    for place, text in references(resource):
        id_, type_ = target(text.removeprefix(f"{base}/"))
        first = place.split(".")[1].partition("[")[0]
        if first in _CARRIED and "xtension" not in place and not text.startswith("#"):
            direct[type_, id_] = place
    about = set(compartment_members(dict(resource), "Patient"))

    def goes_on(one: Mapping[str, Any]) -> bool | None:
        of = compartment_members(dict(one), "Patient")
        if (one["resourceType"], one["id"]) in direct:
            about.update(of)
        return None if of and about.isdisjoint(of) else True

    found = [one.version for one in Following(reader, access, base, goes_on).of([Led(0, composition, resource)])]
    for type_ in sorted({one.type for one in found} | {type_ for type_, _ in direct if type_}):
        admit(type_)  # before it is told what is not here
    lacking = direct.keys() - {(one.type, one.id) for one in found} - {(composition.type, composition.id)}
    for key, place in direct.items():
        if key in lacking:
            raise BusinessRuleError(
                "A document carries all that its Composition names; this reference leads to nothing that is here.",
                place=place,
            )
    entries = b",".join(_entry(one, base) for one in (composition, *found))
    head = {
        "resourceType": "Bundle",
        "identifier": {"system": _URN, "value": f"urn:uuid:{uuid}"},
        "type": "document",
        "timestamp": made.isoformat(timespec="milliseconds"),
    }
    return dump(head)[:-1] + b',"entry":[' + entries + b"]}"


def _entry(version: Version, base: str) -> bytes:
    return b'{"fullUrl":%b,"resource":%b}' % (dump(f"{base}/{version.type}/{version.id}"), version.body or b"")
