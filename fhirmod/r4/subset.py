"""The fast subset of R4 as one JSON Schema: what it accepts, the walker finds no error in.

It is closed and made from the same facts as the walker. What a schema cannot say stands under keywords of
our own (`KEYWORDS` in `accept`), which call the walker's own functions; a library that does not know them
passes over them and accepts a little more. Left out on purpose, so that the walker judges them: contained
resources, ids of elements, null in lists, references to `#`, documents.
"""

import re
from collections.abc import Callable
from functools import cache
from typing import Any

from .extensions import allowed_on
from .facts import facts, known_types
from .fragments import MOOT, PATTERNS, QUIET, TRANSLATED, WHOLE_URI
from .invariants.logic import UCUM
from .known import R4, Known
from .merging import Merging, switch
from .plan import Plan, Slot, plan
from .profile_subset import Sliced, demand
from .shapes import PRIMITIVES
from .ucum import is_ucum
from .walk import BEST_PRACTICE, QUANTITIES

Schema = dict[str, Any]

SUBSET_TYPES = (
    "Observation",
    "MedicationAdministration",
    "Procedure",
    "Condition",
    "Device",
    "DeviceUseStatement",
    "Task",
    "Provenance",
    "Communication",
    "ServiceRequest",
    "Patient",
    "Encounter",
    "Practitioner",
    "PractitionerRole",
    "Organization",
    "Location",
    "RelatedPerson",
    "Flag",
    "AdverseEvent",
    "Consent",
    "Medication",
)
_LEFT_OUT = frozenset(("contained", "implicitRules", "modifierExtension"))
# What a value of any type may be here: the metadata types of R4 stand in definitions, not in cases.
_VALUES = PRIMITIVES | frozenset(
    """
    Address Age Annotation Attachment CodeableConcept Coding ContactPoint Count Duration HumanName Identifier
    Period Quantity Range Ratio Reference
    """.split()  # noqa: SIM905 - a table reads better
)
_OF_ANY_TYPE = frozenset(("Extension", "Task.input", "Task.output"))
_FEW = 24
_UUID = {"pattern": "^urn:uuid:[0-9a-f\\-]+$", "minLength": 45, "maxLength": 45}
_ID = r"[A-Za-z0-9\-.]{1,64}"


def subset_schema(known: Known = R4) -> Schema:
    """Return the JSON Schema (draft 2020-12) of the subset: one resource of `SUBSET_TYPES`, or a Bundle of them.

    Shape: an extension whose definition is `known` stands only where it may, and as it is defined; profiles
           are not in the schema.
    """
    making = Making(known)
    making.defs["Resource"] = making.switch(SUBSET_TYPES)
    bundle = making.definition("Bundle")
    making.finish()
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "R4 resources as fhirmod takes them at once",
        "$comment": "Generated from the R4 4.0.1 definitions; closed on purpose: more is valid R4 than this accepts.",
        "if": {"properties": {"resourceType": {"const": "Bundle"}}, "required": ["resourceType"]},
        "then": {"$ref": bundle},
        "else": {"$ref": "#/$defs/Resource"},
        "$defs": making.defs,
    }


class Making:
    """One making of the schema: its definitions, each made when first asked for.

    Shape: known extensions of resources are judged `apart`, each by its definition.
    """

    def __init__(self, known: Known, *, quiet: bool = False, apart: bool = False) -> None:
        self._quiet = quiet
        self._apart = apart
        self._patterns = QUIET if quiet else PATTERNS
        self.defs: dict[str, Schema] = {}
        self.merging = Merging(self.defs)
        self._all = known
        self.extensions = {url: one for url in sorted(known.extensions) if (one := known.profile(url)) is not None}

    def switch(self, types: tuple[str, ...]) -> Schema:
        """Return a chain that leads from resourceType to the definition of that type."""
        chain: Any = False
        for name in reversed(types):
            chain = {
                "if": {"properties": {"resourceType": {"const": name}}, "required": ["resourceType"]},
                "then": {"$ref": self.definition(name)},
                "else": chain,
            }
        return {"type": "object", **chain}

    def definition(self, name: str) -> str:
        """Return the reference to the definition of a type, nested element or datatype profile."""
        key = name.replace("|", "-")
        return self._made(key, lambda: self._object(name, plan(name)))

    def _made(self, key: str, make: Callable[[], Schema]) -> str:
        if key not in self.defs:
            self.defs[key] = {}
            self.defs[key].update(make())
        return f"#/$defs/{key}"

    def _object(self, name: str, shape: Plan) -> Schema:
        resource = name in known_types()
        properties: dict[str, Any] = {"resourceType": {"const": name}} if resource else {}
        groups: dict[str, list[str]] = {}
        for key, slot in shape.slots.items():
            if key in _LEFT_OUT or (key == "id" and not resource) or key == "_id" or (slot.companion and slot.many):
                continue
            if (schema := self._property(name, key, slot)) is None:
                continue
            properties[key] = schema
            if slot.group:
                groups.setdefault(slot.group, []).append(key.removeprefix("_"))
        required = ["resourceType"] if resource else []
        demands: list[Schema] = []
        for _, keys in shape.required:
            if keys in ((keys[0],), (keys[0], f"_{keys[0]}")):
                required.append(keys[0])
            else:
                demands.append({"anyOf": [{"required": [key]} for key in keys]})
        rules = [text for key, severity, text, _ in shape.checks if self._asks(key, severity) and key not in MOOT]
        demands += [TRANSLATED[text] for text in rules if text in TRANSLATED]
        made: Schema = {
            "type": "object",
            "properties": properties,
            "additionalProperties": False,
            **({"required": required} if required else {"minProperties": 1}),
            **_one_choice(name, required, _alone(groups, properties)),
            self._rules: [] if TRANSLATED.keys() >= {*rules} else [name],
        }
        made = {key: value for key, value in made.items() if value not in ([], {})} | {"properties": properties}
        if self._quiet and (meant := _meant(name)):
            demands.append(meant)
        for one in demands:
            made = self.merging.both(made, one)
        return made

    def _asks(self, key: str, severity: str) -> bool:
        """Return whether a rule is to hold: a warning does not refuse, but it is something said."""
        return severity == "error" or (self._quiet and key not in BEST_PRACTICE)

    def _property(self, name: str, key: str, slot: Slot) -> Schema | None:
        if slot.group == "value" and name in _OF_ANY_TYPE and slot.field.type not in _VALUES:
            return None
        if slot.companion:
            return {"$ref": self._made("Element", self._companion)}
        one = self._primitive(name, key, slot) if slot.primitive else self._complex(name, key, slot)
        if one is None:
            return None
        if any(self._asks(check[0], check[1]) for check in slot.checks):
            one = {**one, self._rules: [name, key]}
        if not slot.many:
            return one
        many: Schema = {"type": "array", "minItems": 1, "items": one}
        if slot.field.most > 1:
            many["maxItems"] = slot.field.most
        return many

    def _complex(self, name: str, key: str, slot: Slot) -> Schema | None:
        field = slot.field
        if field.type == "Resource":
            return {"$ref": "#/$defs/Resource"} if (name, key) == ("Bundle.entry", "resource") else None
        if field.type == "Reference":
            return {"$ref": self._reference(field.targets, urn="." in name or name in known_types())}
        if field.type == "Extension":
            return self._extensions_of(name)
        made: Schema = {"$ref": self.definition(slot.inner)}
        if slot.bound is not None and (self._quiet or slot.bound.strength == "required" or slot.bound.widest):
            made["r4-quiet-bound" if self._quiet else "r4-bound"] = [name, key]
        return made

    @property
    def _rules(self) -> str:
        return "r4-quiet-rules" if self._quiet else "r4-rules"

    def _primitive(self, name: str, key: str, slot: Slot) -> Schema:
        kind = slot.field.type
        if kind == "code" and slot.bound is not None:
            inner = slot.bound.members
            if inner is not None and inner.grammar is None and not inner.open:
                return {"enum": sorted(inner.codes)}
            return {"type": "string", "r4-plain": [name, key]}
        return self._patterns.get(kind) or {"type": "string", "r4-plain": [name, key]}

    def _companion(self) -> Schema:
        extensions = {"type": "array", "minItems": 1, "items": self._extensions_of("Element")}
        return {
            "type": "object",
            "properties": {"extension": extensions},
            "required": ["extension"],
            "additionalProperties": False,
        }

    def _extensions_of(self, name: str) -> Schema:
        """Return what an extension of an element may be: any that is not known, and the known ones allowed here."""
        nested = name == "Extension"
        other = self._made("Extension-nested" if nested else "Extension", lambda: self._extension(nested=nested))
        allowed = [url for url, one in self.extensions.items() if allowed_on(one, name)]
        if not allowed:
            return {"$ref": other}
        if self._apart and name in known_types():
            return {"if": {"properties": {"url": {"enum": allowed}}}, "then": True, "else": {"$ref": other}}
        told: Schema = switch([(_of_url(url), {"$ref": f"#/$defs/{_known(url)}"}) for url in allowed], {"$ref": other})
        return told

    def finish(self) -> None:
        """Add what known extensions are, each by its definition; one that no schema can say is left out.

        Shape: this comes last, as it looks into the other definitions.
        """
        for url in self.extensions:
            self.defs[_known(url)] = self.known_extension(url)

    def known_extension(self, url: str, *, sort: Callable[[Sliced], None] | None = None) -> Schema:
        """Return what a known extension is by its definition, without what `sort` is given of it."""
        asked = demand(self.extensions[url], self._all, quiet=self._quiet, sort=sort)
        if asked is None:
            return {"not": {}}
        found: Schema = self.merging.both(self._extension(nested=False, known=True), asked)
        return found

    def _extension(self, *, nested: bool, known: bool = False) -> Schema:
        """Return an extension's definition: its url and one thing more, a value or extensions (ext-1)."""
        url: Schema = {
            "type": "string",
            "pattern": r"^[^ \t\r\n\f\v]+$" if nested else r"^[^ \t\r\n\f\v]*:[^ \t\r\n\f\v]*$",
        }
        if self._quiet:
            url = (
                {"anyOf": [{"type": "string", "pattern": r"^[A-Za-z0-9\-]+$"}, WHOLE_URI]} if nested else {**WHOLE_URI}
            )
        if self.extensions and not known:
            url["not"] = {"enum": [*self.extensions]}
        inner = {"type": "array", "minItems": 1, "items": self._extensions_of("Extension")}
        properties: dict[str, Any] = {"url": url, "extension": inner}
        for key, slot in plan("Extension").slots.items():
            if slot.group == "value" and (schema := self._property("Extension", key, slot)) is not None:
                properties[key] = schema
        return {
            "type": "object",
            "properties": properties,
            "required": ["url"],
            "minProperties": 2,
            "maxProperties": 2,
            "additionalProperties": False,
        }

    def _reference(self, targets: frozenset[str], *, urn: bool) -> str:
        """Return the definition of a reference to some types; a urn only where `accept` follows it in a Bundle."""
        kinds = sorted(targets & known_types()) if targets and "Resource" not in targets else sorted(known_types())
        key = "Reference-" + ("any" if len(kinds) == len(known_types()) else "-".join(kinds)) + ("-urn" if urn else "")

        def make() -> Schema:
            named = "|".join(kinds)
            near = {"pattern": rf"^(?:{named})/[A-Za-z0-9\-.]+$", "maxLength": min(map(len, kinds)) + 65}
            forms = [rf"(?:{named})/{_ID}(?:/_history/[^/?#\s]+)?", rf"https?://[^?#\s]+/(?:{named})/{_ID}"]
            far = {"pattern": f"^(?:{'|'.join(forms)})$"}
            return {
                "type": "object",
                "properties": {
                    "reference": {"type": "string", "anyOf": [near, *([_UUID] if urn else []), far]},
                    "type": {"enum": kinds},
                    "identifier": {"$ref": self.definition("Identifier")},
                    "display": self._patterns["string"],
                    "extension": {"type": "array", "minItems": 1, "items": self._extensions_of("Reference")},
                },
                "dependentSchemas": {
                    "type": {
                        "anyOf": [{"properties": {"reference": False}}, *_agreeing(kinds)],
                        "minProperties": 2 if self._quiet else 1,  # a type alone says nothing
                    }
                },
                "minProperties": 1,
                "additionalProperties": False,
            }

        return self._made(key, make)


def _known(url: str) -> str:
    """Return the name of a known extension's definition."""
    return "Extension-" + re.sub(r"[^A-Za-z0-9\-.]", "-", url)


def _of_url(url: str) -> Schema:
    return {"required": ["url"], "properties": {"url": {"const": url}}}


def _agreeing(kinds: list[str]) -> list[Schema]:
    """Return what a reference is whose text and type name the same; of very many types this is left to the walker."""
    if len(kinds) > _FEW:
        return []
    return [
        {
            "properties": {
                "type": {"const": kind},
                "reference": {"pattern": rf"^(?:{kind}/|https?://[^?#\s]+/{kind}/{_ID}$)"},
            }
        }
        for kind in kinds
    ]


def _alone(groups: dict[str, list[str]], properties: dict[str, Any]) -> Schema:
    """Return, for each type of a choice, that no other type of it stands beside it."""
    found: Schema = {}
    for keys in groups.values():
        names = sorted(set(keys))
        for number, key in enumerate(names[:-1], start=1):  # each two of them once
            shut = {"properties": {form: False for one in names[number:] for form in (one, "_" + one)}}
            found |= {form: shut for form in (key, "_" + key) if form in properties}
    return found


def _one_choice(name: str, required: list[str], alone: Schema) -> Schema:
    """Return the same; of few properties, beside what is required, there is but one to choose."""
    if "." not in name or not alone:
        return {"dependentSchemas": alone}
    return {"anyOf": [{"maxProperties": len(required) + 1}, {"dependentSchemas": alone}]}


def _meant(name: str) -> Schema | None:
    """Return that nothing is to be said of what a value of a type means; the common ones are told without asking."""
    kind = name.partition("|")[0]
    common: dict[str, Schema] = {
        "Coding": {"system": {"not": {"enum": [*facts()["systems"], UCUM]}}},
        "Identifier": {"system": {"not": {"const": "urn:ietf:rfc:3986"}}},
        **{one: {"code": {"enum": [unit for unit in _UNITS if is_ucum(unit)]}} for one in QUANTITIES},
    }
    return {"anyOf": [{"properties": common[kind]}, {"r4-meant": kind}]} if kind in common else None


_UNITS = (
    "mm[Hg]",
    "mL",
    "L",
    "/min",
    "Cel",
    "%",
    "g",
    "kg",
    "g/dL",
    "g/L",
    "min",
    "h",
    "s",
    "cm",
    "a",
    "wk",
    "d",
    "{count}",
)


@cache
def ways(name: str) -> dict[str, tuple[str, frozenset[str]]]:
    """Return where references stand below a type: property -> ("", targets), or (nested element, nothing)."""
    found: dict[str, tuple[str, frozenset[str]]] = {}
    for key, slot in plan(name).slots.items():
        if slot.companion:
            continue
        if slot.field.type == "Reference":
            found[key] = ("", slot.field.targets)
        elif "." in slot.field.type:
            found[key] = (slot.field.type, frozenset())
    return found
