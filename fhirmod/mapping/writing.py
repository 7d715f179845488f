"""From a chain of entries to its image: the resources that say the same in FHIR R4.

Nothing here looks at a clock or makes an id: ids are ``<root entry's id>.<part>``.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from fhirmod.episode import Entry, Facility, Opening, Retraction
from terminology import concept

from .envelope import write_envelope
from .paths import put_at
from .places import Component
from .shapes import SHAPES, Shape
from .special import DRILL, facility
from .table import Part
from .tables import TABLES
from .urls import ENTRY_ID, profile
from .whereabouts import Whereabouts

CONFIDENTIALITY = {
    "system": "http://terminology.hl7.org/CodeSystem/v3-Confidentiality",
    "code": "N",
    "display": "normal",
}


@dataclass(frozen=True, slots=True)
class Context:
    """What every image of an episode refers to: FHIR references, and whether it is a drill.

    Shape: `also` are further references of the same woman (Patients merged with hers);
           `organization` is the identifier of the facility that opened it, and the reference it has here;
           `there` tells where the parts of entries that others wrote stand.
    """

    subject: str
    anchor: str
    encounter: str | None = None
    drill: bool = False
    also: frozenset[str] = frozenset()
    organization: tuple[str, str] | None = None
    there: Whereabouts = field(default_factory=Whereabouts)

    def links(self, *references: str) -> list[dict[str, str]]:
        """Return the References to parts of entries, as they really stand; to none that is not there."""
        return [{"reference": at} for one in references if (at := self.there.of(one)) is not None]

    def facility(self, value: Facility) -> dict[str, Any]:
        """Return the Reference to a facility: by identifier, and literal where its resource is known."""
        logical = facility(value)
        known = self.organization is not None and self.organization[0] == value.id
        return {"reference": self.organization[1]} | logical if known and self.organization else logical

    @property
    def subjects(self) -> frozenset[str]:
        """Return the references of the woman; none where the anchor names her otherwise than by a reference."""
        return self.also | {self.subject} if self.subject else frozenset()


@dataclass(frozen=True, slots=True)
class Image:
    """One resource to be stored: type, id, and the resource; `body` is None where it is to be deleted."""

    type: str
    id: str
    body: dict[str, Any] | None

    @property
    def reference(self) -> str:
        return f"{self.type}/{self.id}"


def images(entry: Entry, context: Context, *, root: str, withdrawn: bool = False) -> list[Image]:
    """Return the image of an entry as head of the chain that began with entry `root`.

    Shape: one Image for each part that has something to say; `withdrawn` makes each entered-in-error (or a
           deletion where R4 has no such status).
    """
    made = []
    frames: dict[str, dict[str, Any]] = {}
    for part in TABLES[entry.kind].parts:
        if part.says(entry):
            shape = SHAPES[part.type]
            gone = withdrawn and shape.status is None
            if part.type not in frames and not gone:
                frames[part.type] = _frame(entry, shape, context, root, withdrawn=withdrawn)
            body = None if gone else _body(entry, part, shape, context, root, frames[part.type])
            made.append(Image(part.type, f"{root}.{part.name}", body))
    return made


def retraction_image(entry: Retraction, context: Context, *, root: str, targets: Iterable[str]) -> Image:
    """Return the Provenance of a retraction; `targets` are the references of what it takes back."""
    [image] = images(entry, context, root=root)
    assert image.body is not None
    image.body["target"] = [{"reference": reference} for reference in targets]
    return image


def _frame(entry: Entry, shape: Shape, context: Context, root: str, *, withdrawn: bool) -> dict[str, Any]:
    """Return what all parts of an entry that have one type share, in the order it is written.

    Shape: `category` and the code hold the place of what each part has of its own.
    """
    frame: dict[str, Any] = {"extension": []}
    if shape.identifier is not None:
        identifier = {"system": ENTRY_ID, "value": root}
        frame["identifier"] = [identifier] if shape.identifier == "many" else identifier
    if shape.status is not None:
        frame[shape.status] = shape.statuses[2 if withdrawn else 1 if entry.corrects else 0]
    left_out = shape.only_standing if withdrawn else frozenset()
    frame |= {name: value for name, value in shape.fixed.items() if name not in left_out}
    frame["category"] = None
    put_at(frame, shape.code, None)
    if shape.subject is not None:
        frame[shape.subject] = {"reference": context.subject}
    if shape.encounter is not None and context.encounter is not None:
        frame[shape.encounter] = {"reference": context.encounter}
    if shape.link is not None:
        put_at(frame, shape.link, link(shape.link, context.anchor))
    write_envelope(frame, entry, shape)
    return frame


def _body(
    entry: Entry, part: Part, shape: Shape, context: Context, root: str, frame: Mapping[str, Any]
) -> dict[str, Any]:
    body: dict[str, Any] = {
        "resourceType": part.type,
        "id": f"{root}.{part.name}",
        "meta": _meta(part.profiles, context.drill),
        **frame,
    }
    for name in shape.grown:  # a row may add to these, and the frame serves several parts
        if name in body:
            body[name] = body[name].copy()
    if part.category is not None:
        body["category"] = [category(part.category)]
    elif body["category"] is None:
        del body["category"]
    put_at(body, shape.code, part.only_code or _code(entry, part))
    _write_rows(body, entry, part)
    if part.finish is not None:
        part.finish(body, entry, root)
    if isinstance(entry, Opening):
        body["serviceProvider"] = context.facility(entry.facility)
    if not body["extension"]:
        del body["extension"]
    return body


@cache
def category(name: str) -> dict[str, Any]:
    """Return an Observation category as HL7's own code alone: R4's vital-signs profiles allow no other beside it."""
    return {"coding": [coding.fhir for coding in concept(f"category.{name}").codings if coding.relation == "same"]}


def _write_rows(body: dict[str, Any], entry: Entry, part: Part) -> None:
    for row in part.rows:
        value = row.value(entry)
        if value is None or (type(value) is tuple and not value):
            if isinstance(row.place, Component):
                row.place.put_unrecorded(body)
        elif value is not False or row.says_false:
            row.place.put(body, value)


def _code(entry: Entry, part: Part) -> dict[str, Any]:
    for code in part.codes:
        if code.fits(entry):
            return concept(code.key).codeable
    raise LookupError(f"no code of the part {part.name} fits the {entry.kind} entry {entry.id}")


def link(path: str, anchor: str) -> list[dict[str, Any]]:
    """Return what ties a resource to the anchor, in the form its element takes."""
    match path:
        case "provision.data":
            return [{"meaning": "related", "reference": {"reference": anchor}}]
        case "suspectEntity":
            return [{"instance": {"reference": anchor}}]
        case _:
            return [{"reference": anchor}]


@lru_cache(maxsize=256)
def _meta(profiles: tuple[str, ...], drill: bool) -> dict[str, Any]:
    urls = [name if "/" in name else profile(name) for name in profiles]
    return {"profile": urls, "security": [CONFIDENTIALITY, DRILL] if drill else [CONFIDENTIALITY]}
