"""What the resources of one episode say of each other, as far as one of them cannot be read alone.

::

    Observation.hasMember --> its members: one set           Procedure.focalDevice --> Device: facts of that balloon
    Observation.derivedFrom --> what it was computed from     medicationReference --> Medication: what was given

Each may arrive before or after the other; who waited for it is read again when it comes.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from .codec import Unread
from .recognising import kind_of

Resource = Mapping[str, Any]


class Named(NamedTuple):
    """The Procedure that names a Device as the one it placed or made ready, or a statement of its use."""

    reference: str
    resource: Resource


class Linked:
    """Every resource of an episode as it now is, and who refers to whom."""

    def __init__(self) -> None:
        self._now: dict[str, Resource] = {}
        self._panels: dict[str, str] = {}
        self._devices: dict[str, Named] = {}
        self._waiting: dict[str, list[str]] = {}
        self._placed: set[str] = set()
        self._uses: dict[str, str] = {}

    def note(self, batch: Iterable[tuple[str, Resource | None]]) -> list[str]:
        """Return the references of earlier resources that waited for one of these."""
        freed: list[str] = []
        came = []
        placed = self.placed
        for reference, resource in batch:
            came.append(reference)
            self._placed.discard(reference)
            if resource is None:
                self._now.pop(reference, None)
                continue
            if _places(resource):
                self._placed.add(reference)
            self._now[reference] = resource
            for member in _references(resource, "hasMember"):
                self._panels[member] = reference
            if resource["resourceType"] == "DeviceUseStatement":
                self._uses[reference] = resource.get("device", {}).get("reference", "")
            for device in _devices(resource):
                self._devices[device] = Named(reference, resource)
                freed += self._waiting.pop(device, ())
        for reference in came:
            freed += self._waiting.pop(reference, ())
        if self.placed != placed:
            freed += [one for pair in self._uses.items() for one in pair if one in self._now]
        return [one for one in dict.fromkeys(freed) if one not in came]

    def panel_of(self, reference: str) -> str | None:
        """Return the group an Observation is part of: the one that names it a member, or itself if it has members."""
        panel = self._panels.get(reference)
        if panel is not None:
            return panel
        return reference if "hasMember" in self._now.get(reference, {}) else None

    @property
    def placed(self) -> bool:
        """Return whether some Procedure says that a balloon was placed."""
        return bool(self._placed)

    def naming(self, device: str) -> Named | None:
        """Return the Procedure that names a Device, if it has come, else a statement of its use."""
        if device in self._devices:
            return self._devices[device]
        use = next((one for one, named in self._uses.items() if named == device and one in self._now), None)
        return None if use is None else Named(use, self._now[use])

    def now(self, reference: str) -> Resource | None:
        return self._now.get(reference)

    def wait(self, reference: str, wanted: str) -> None:
        """Return nothing; what `reference` names is read again when `wanted` comes."""
        self._waiting.setdefault(wanted, []).append(reference)


def sources(resource: Resource) -> Iterator[str]:
    """Return the Observations that an Observation sums or is computed from."""
    for name in ("derivedFrom", "hasMember"):
        for reference in _references(resource, name):
            if reference.startswith("Observation/"):
                yield reference


def medicine(resource: Resource, reference: str, linked: Linked) -> Resource:
    """Return the code of what was given: in the resource, or in the Medication it names.

    Errors: Unread if that Medication is not here (it is read when it comes).
    """
    if "medicationReference" not in resource:
        found: Resource = resource.get("medicationCodeableConcept", {})
        return found
    name = resource["medicationReference"].get("reference", "")
    medication = contained(resource, name) if name.startswith("#") else linked.now(name)
    if medication is None:
        linked.wait(reference, name)
        raise Unread("it names a Medication that is not here, so what was given is not known")
    code: Resource = medication.get("code", {})
    return code


def contained(resource: Resource, name: str) -> Resource | None:
    """Return the resource inside that ``#id`` names."""
    return next((one for one in resource.get("contained", ()) if f"#{one.get('id')}" == name), None)


def _places(resource: Resource) -> bool:
    """Return whether a resource is a placement that stands."""
    stands = resource.get("status") not in ("entered-in-error", "not-done", "preparation", "unknown", "stopped")
    return resource["resourceType"] == "Procedure" and stands and kind_of(resource) == "placement"


def _devices(resource: Resource) -> Iterator[str]:
    for focal in resource.get("focalDevice", ()) if resource.get("resourceType") == "Procedure" else ():
        reference = focal.get("manipulated", {}).get("reference", "")
        if reference.startswith("Device/"):
            yield reference


def _references(resource: Resource, name: str) -> Iterator[str]:
    for one in resource.get(name, ()):
        if isinstance(one, Mapping) and isinstance(one.get("reference"), str):
            yield one["reference"]
