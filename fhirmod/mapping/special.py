"""Places that only one field uses, each two-way: references to other parts, doses, drill, the facility."""

import re
from collections.abc import Mapping
from typing import Any

from terminology import concept

from .codec import Codec, Unread, read_quantity
from .demand import Demand, of_value
from .places import Component, MainValue, View, detail_slice, extension_slice
from .urls import DETAIL, DUE_TO, FACILITY_ID, PROTOCOL, RETRACTS, UCUM

ACT_REASON = "http://terminology.hl7.org/CodeSystem/v3-ActReason"
DRILL = {"system": ACT_REASON, "code": "HTEST", "display": "test health data"}
_OWN = r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})"
_PLACEMENT = re.compile(rf"(?:.*/)?Procedure/{_OWN}\.placement")
_DEVICE = re.compile(rf"(?:.*/)?Device/{_OWN}\.device")


class PlacementReference:
    """Which balloon: a second `partOf`, to its placement Procedure."""

    elements: tuple[str, ...] = ("partOf",)

    def put(self, target: dict[str, Any], value: str) -> None:
        target.setdefault("partOf", []).append({"reference": f"Procedure/{value}.placement"})

    def get(self, view: View) -> str | None:
        for reference in view.resource.get("partOf", ()):
            if found := _PLACEMENT.fullmatch(reference.get("reference", "")):
                return found[1]
        return None

    def asks(self) -> tuple[Demand, ...]:
        return ()


class PlacementSuspect(PlacementReference):
    """Which balloon had the problem: a suspect entity of an AdverseEvent."""

    elements: tuple[str, ...] = ("suspectEntity.instance",)

    def put(self, target: dict[str, Any], value: str) -> None:
        instance = {"reference": f"Procedure/{value}.placement"}
        target.setdefault("suspectEntity", []).append({"instance": instance})

    def get(self, view: View) -> str | None:
        for entity in view.resource.get("suspectEntity", ()):
            if found := _PLACEMENT.fullmatch(entity.get("instance", {}).get("reference", "")):
                return found[1]
        return None


class PreparationReference:
    """Which preparation a placement used: the device it manipulated, unless that is the placement's own."""

    elements: tuple[str, ...] = ("focalDevice.manipulated",)

    def put(self, target: dict[str, Any], value: str) -> None:
        target["focalDevice"] = [{"manipulated": {"reference": f"Device/{value}.device"}}]

    def get(self, view: View) -> str | None:
        for device in view.resource.get("focalDevice", ()):
            found = _DEVICE.fullmatch(device.get("manipulated", {}).get("reference", ""))
            if found and not str(view.resource.get("id", "")).startswith(found[1]):
                return found[1]
        return None

    def asks(self) -> tuple[Demand, ...]:
        return ()


class GrossVolume(MainValue):
    """A blood loss as it was read off; where other fluid was inside, the main value is the net and this a component."""

    def __init__(self, codec: Codec, gross: str, weighed: str) -> None:
        super().__init__(codec)
        self._read, self.key, self._weighed = codec.read, gross, weighed

    @property
    def elements(self) -> tuple[str, ...]:
        return (*super().elements, "component.code", "component.valueQuantity")

    def get(self, view: View) -> Any:
        if self.key in view.components:
            return self._read(view.components[self.key][0]["valueQuantity"])
        return None if self._weighed in view.components else super().get(view)

    def asks(self) -> tuple[Demand, ...]:
        return (*super().asks(), *Component(self.key, self.codec).asks())


class AmountWithUnit:
    """A Quantity whose unit is part of the entry (dose, rate)."""

    def __init__(self, *path: str, units: tuple[str, ...]) -> None:
        self._path, self._units = path, units

    @property
    def elements(self) -> tuple[str, ...]:
        return (".".join(self._path),)

    def put(self, target: dict[str, Any], value: Any) -> None:
        for step in self._path[:-1]:
            target = target.setdefault(step, {})
        target[self._path[-1]] = amount(value)

    def get(self, view: View) -> dict[str, Any] | None:
        source: Any = view.resource
        for step in self._path:
            source = source.get(step, {})
        return read_amount(source, self._units)

    def asks(self) -> tuple[Demand, ...]:
        return ()


class Given:
    """Whether a dose was given: the status `not-done` says it was not."""

    elements: tuple[str, ...] = ("status",)

    def put(self, target: dict[str, Any], value: bool) -> None:
        if not value and target["status"] != "entered-in-error":
            target["status"] = "not-done"

    def get(self, view: View) -> bool:
        return view.resource.get("status") != "not-done"

    def asks(self) -> tuple[Demand, ...]:
        return ()


class DueTo:
    """The causes of a condition: HL7's own extension, one for each."""

    elements: tuple[str, ...] = ("extension",)

    def __init__(self, codec: Codec) -> None:
        self._codec = codec

    def put(self, target: dict[str, Any], value: tuple[str, ...]) -> None:
        for word in value:
            cause = {"url": DUE_TO, "valueCodeableConcept": self._codec.write(word)}
            target.setdefault("extension", []).append(cause)

    def get(self, view: View) -> tuple[str, ...] | None:
        causes = [
            item["valueCodeableConcept"]
            for item in view.resource.get("extension", ())
            if item.get("url") == DUE_TO and "valueCodeableConcept" in item
        ]
        return tuple(self._codec.read(cause) for cause in causes) or None

    def asks(self) -> tuple[Demand, ...]:
        return (
            *extension_slice("due-to", DUE_TO, most="*"),
            *of_value("extension:due-to.value[x]", self._codec),
        )


class FacilityReference:
    """A facility by the site's identifier and name, as a logical reference."""

    def __init__(self, element: str) -> None:
        self._element = element

    @property
    def elements(self) -> tuple[str, ...]:
        return (self._element,)

    def put(self, target: dict[str, Any], value: Any) -> None:
        target[self._element] = facility(value)

    def get(self, view: View) -> dict[str, Any] | None:
        return read_facility(view.resource.get(self._element))

    def asks(self) -> tuple[Demand, ...]:
        return (Demand(self._element, types=("Reference:Organization",)),)


class FacilityDetail:
    """A facility where R4 has no element for it: a `detail` whose answer is a logical reference."""

    elements: tuple[str, ...] = ("extension",)

    def __init__(self, key: str) -> None:
        self.key = key

    def put(self, target: dict[str, Any], value: Any) -> None:
        code = {"url": "code", "valueCodeableConcept": concept(self.key).codeable}
        answer = {"url": "value", "valueReference": facility(value)}
        target.setdefault("extension", []).append({"url": DETAIL, "extension": [code, answer]})

    def get(self, view: View) -> dict[str, Any] | None:
        for answer in view.details.get(self.key, ()):
            return read_facility(answer.get("valueReference"))
        return None

    def asks(self) -> tuple[Demand, ...]:
        own, demands = detail_slice(self.key)
        return (*demands, Demand(f"{own}.extension:value.value[x]", types=("Reference:Organization",)))


class AmountDetail:
    """A Quantity whose unit is part of the entry, as a `detail`."""

    elements: tuple[str, ...] = ("extension",)

    def __init__(self, key: str, units: tuple[str, ...]) -> None:
        self.key, self._units = key, units

    def put(self, target: dict[str, Any], value: Any) -> None:
        code = {"url": "code", "valueCodeableConcept": concept(self.key).codeable}
        answer = {"url": "value", "valueQuantity": amount(value)}
        target.setdefault("extension", []).append({"url": DETAIL, "extension": [code, answer]})

    def get(self, view: View) -> dict[str, Any] | None:
        for answer in view.details.get(self.key, ()):
            return read_amount(answer.get("valueQuantity", {}), self._units)
        return None

    def asks(self) -> tuple[Demand, ...]:
        own, demands = detail_slice(self.key)
        return (*demands, Demand(f"{own}.extension:value.value[x]", types=("Quantity",)))


def stated_protocol(resource: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the id, hash and software of the site protocol that an opening's resource names, or None."""
    for item in resource.get("extension", ()):
        if item.get("url") == PROTOCOL:
            return {part["url"]: part.get("valueString") for part in item.get("extension", ())}
    return None


def amount(value: Any) -> dict[str, Any]:
    """Return the Quantity of a number with its own unit."""
    return {"value": value.value, "unit": value.unit, "system": UCUM, "code": value.unit}


def read_amount(source: Any, units: tuple[str, ...]) -> dict[str, Any] | None:
    """Return the number and unit of a Quantity, or None if it has no value.

    Errors: Unread if its unit is none of these.
    """
    if "value" not in source:
        return None
    unit = source.get("code") or source.get("unit")
    if unit not in units:
        raise Unread(f"the unit is {unit!r}; one of {', '.join(units)} is read here")
    return {"value": read_quantity(source, unit), "unit": unit}


def facility(value: Any) -> dict[str, Any]:
    """Return the logical Reference to an organization."""
    reference: dict[str, Any] = {
        "type": "Organization",
        "identifier": {"system": FACILITY_ID, "value": value.id},
    }
    return reference | {"display": value.name} if value.name else reference


def read_facility(reference: Any) -> dict[str, Any] | None:
    """Return the facility a Reference names; a partner's is named by its identifier or reference."""
    if not isinstance(reference, dict):
        return None
    name = reference.get("identifier", {}).get("value") or reference.get("reference") or reference.get("display")
    return {"id": name, "name": reference.get("display")} if name else None


class WomanReference:
    """What the room calls her: the identifier and display of the Encounter's subject."""

    elements: tuple[str, ...] = ("subject",)

    def put(self, target: dict[str, Any], value: Any) -> None:
        subject = dict(target["subject"])
        if value.identifier:
            identifier = {"system": value.identifier_system, "value": value.identifier}
            subject["identifier"] = {name: text for name, text in identifier.items() if text}
        if value.label:
            subject["display"] = value.label
        target["subject"] = subject

    def get(self, view: View) -> dict[str, Any] | None:
        subject = view.resource.get("subject", {})
        identifier = subject.get("identifier", {})
        woman = {
            "identifier_system": identifier.get("system"),
            "identifier": identifier.get("value"),
            "label": subject.get("display"),
        }
        return woman if any(woman.values()) else None

    def asks(self) -> tuple[Demand, ...]:
        return ()


class DrillLabel:
    """A drill or demonstration: HL7's test-data label on every resource; read from the opening's."""

    elements: tuple[str, ...] = ("meta",)

    def put(self, target: dict[str, Any], value: bool) -> None:
        """Write nothing: the label goes on every image, not only this one."""

    def get(self, view: View) -> bool | None:
        labels = view.resource.get("meta", {}).get("security", ())
        return True if any(label.get("code") == "HTEST" for label in labels) else None

    def asks(self) -> tuple[Demand, ...]:
        return ()


class ProtocolStampExtension:
    """Which site protocol and software the verdicts use."""

    elements: tuple[str, ...] = ("extension",)

    def put(self, target: dict[str, Any], value: Any) -> None:
        parts = [{"url": name, "valueString": getattr(value, name)} for name in ("id", "hash", "software")]
        target.setdefault("extension", []).append({"url": PROTOCOL, "extension": parts})

    def get(self, view: View) -> dict[str, Any] | None:
        return stated_protocol(view.resource)

    def asks(self) -> tuple[Demand, ...]:
        return extension_slice("site-protocol", PROTOCOL)


class RetractedTargets:
    """Which entry is taken back: its id; the resources it covers are added when the image is made."""

    elements: tuple[str, ...] = ("extension",)

    def put(self, target: dict[str, Any], value: str) -> None:
        target.setdefault("extension", []).append({"url": RETRACTS, "valueId": value})

    def get(self, view: View) -> str | None:
        for item in view.resource.get("extension", ()):
            if item.get("url") == RETRACTS:
                return str(item.get("valueId"))
        return None

    def asks(self) -> tuple[Demand, ...]:
        return extension_slice("retracts", RETRACTS, least=1)
