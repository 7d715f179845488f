"""The snapshot of a profile that comes as a differential: its base with the changes laid over it.

Source: http://hl7.org/fhir/R4/profiling.html#snapshot, elementdefinition.html#id (ids and paths of slices).
"""

import copy
from collections.abc import Callable, Mapping
from typing import Any

from fhirmod.errors import InvalidError

Json = dict[str, Any]
Find = Callable[[str], Mapping[str, Any] | None]

_TYPE = "http://hl7.org/fhir/StructureDefinition/"
_SYSTEM = "http://hl7.org/fhirpath/System."
_ADDED = ("constraint", "condition", "mapping", "alias", "example")  # a differential adds to these


def snapshot(definition: Mapping[str, Any], find: Find) -> list[Json]:
    """Return the elements of a profile's snapshot, made from its base and its differential.

    Shape: `find` leads from a canonical URL to a definition that has a snapshot.
    Errors: InvalidError if the base is not known, or the differential names an element that is not there.
    """
    url = definition.get("baseDefinition", "")
    base = find(url)
    if base is None:
        raise InvalidError(
            f"The base definition {url[:200]!r} is not known here; wanted one of R4's or one given along.",
            place="StructureDefinition.baseDefinition",
        )
    if definition.get("type", base["type"]) != base["type"]:
        raise InvalidError(
            f"The definition is of {str(definition['type'])[:64]}, its base of {base['type']}; wanted one of its type.",
            place="StructureDefinition.type",
        )
    made = _Snapshot(base["snapshot"]["element"], find)
    for element in definition["differential"]["element"]:
        made.lay(element)
    return made.elements


class _Snapshot:
    """The elements as they grow; an id is looked up by walking, the lists are short."""

    def __init__(self, base: list[Json], find: Find) -> None:
        self.elements = copy.deepcopy(base)
        self._find = find
        self._last: dict[str, str] = {}  # the id that an element of a path had last

    def lay(self, change: Mapping[str, Any]) -> None:
        """Lay one element of the differential over what is there."""
        identity = self._identity(change)
        if identity.partition(".")[0] != self.elements[0]["id"]:
            raise self._unknown(identity)
        target = self._at(self._ensure(identity))
        for key, value in change.items():
            if key in ("id", "path") or _wider(key, value, target):
                continue
            if key in _ADDED and key in target:
                target[key] = [*target[key], *(one for one in value if one not in target[key])]
            elif key == "binding" and "binding" in target:
                target[key] = {**target[key], **copy.deepcopy(value)}
            else:
                target[key] = copy.deepcopy(value)

    def _identity(self, change: Mapping[str, Any]) -> str:
        """Return an element's id; where it has none, of its path below the element that last had the path above."""
        path = str(change["path"])
        above, _, name = path.rpartition(".")
        part = f":{change['sliceName']}" if "sliceName" in change else ""
        found = str(change.get("id") or (f"{self._last[above]}.{name}" if above in self._last else path) + part)
        self._last = {one: identity for one, identity in self._last.items() if not one.startswith(f"{path}.")}
        self._last[path] = found
        return found

    def _position(self, identity: str) -> int:
        return next((number for number, one in enumerate(self.elements) if one["id"] == identity), -1)

    def _at(self, identity: str) -> Json:
        return self.elements[self._position(identity)]

    def _ensure(self, identity: str) -> str:
        """Return the id under which an element stands, unfolded or sliced off if it was not there yet."""
        if self._position(identity) >= 0:
            return identity
        above, _, last = identity.rpartition(".")
        if not above:
            raise self._unknown(identity)
        above = self._ensure(above)
        if not any(one["id"].startswith(f"{above}.") for one in self.elements):
            self._unfold(above)
        name, _, part = last.partition(":")
        if self._position(f"{above}.{name}") < 0:
            name, part = self._choice(above, name, part, identity)
        wanted = f"{above}.{name}" + (f":{part}" if part else "")
        if part and self._position(wanted) < 0:
            self._slice(above, name, part)
        return wanted

    def _choice(self, above: str, name: str, part: str, identity: str) -> tuple[str, str]:
        """Return the element and slice that a name such as valueQuantity means."""
        for one in self.elements:
            if one["id"].startswith(f"{above}.") and one["id"].endswith("[x]"):
                bare = one["id"].removeprefix(f"{above}.").removesuffix("[x]")
                kinds = [kind["code"] for kind in one.get("type", ())]
                for code in kinds if "." not in bare and name.startswith(bare) else ():
                    if name == _named(bare, code):
                        one.setdefault(
                            "slicing",
                            {"discriminator": [{"type": "type", "path": "$this"}], "ordered": False, "rules": "open"},
                        )
                        return f"{bare}[x]", part or name
        raise self._unknown(identity)

    def _slice(self, above: str, name: str, part: str) -> None:
        """Add a slice after what it is a slice of, and after that one's other slices."""
        outer, _, _ = part.rpartition("/")
        of = f"{above}.{name}" + (f":{outer}" if outer else "")
        source = self._at(self._ensure(of))
        made = {key: copy.deepcopy(value) for key, value in source.items() if key != "slicing"}
        made |= {"id": f"{above}.{name}:{part}", "sliceName": part, "min": 0}  # the list's minimum is no slice's
        if name.endswith("[x]"):
            bare = name.removesuffix("[x]")
            made["type"] = [k for k in made["type"] if bare + k["code"][0].upper() + k["code"][1:] == part] or made[
                "type"
            ]
        last = max(
            number
            for number, one in enumerate(self.elements)
            if one["id"] == of or one["id"].startswith((f"{of}.", f"{of}:", f"{of}/"))
        )
        self.elements.insert(last + 1, made)

    def _unfold(self, identity: str) -> None:
        """Put the children of an element's type under it; a slice takes those of what it is a slice of."""
        element = self._at(identity)
        head, _, last = identity.rpartition(".")
        unsliced = f"{head}.{last.partition(':')[0]}" if ":" in last else ""
        if "contentReference" in element:
            source, children = element["contentReference"].removeprefix("#"), self.elements
        elif unsliced and any(one["id"].startswith(f"{unsliced}.") for one in self.elements):
            source, children = unsliced, self.elements
        else:
            source, children = self._type(element)
        named = element["path"]
        copied = []
        root = next(one for one in children if one["id"] == source)
        for one in children:
            if one["id"].startswith(f"{source}."):
                child = copy.deepcopy(one)
                child["id"] = identity + one["id"].removeprefix(source)
                child["path"] = named + one["path"].removeprefix(root["path"])
                copied.append(child)
        at = self._position(identity) + 1
        self.elements[at:at] = copied

    def _type(self, element: Json) -> tuple[str, list[Json]]:
        kinds: list[Json] = list(element.get("type", ()))
        code = kinds[0]["code"] if len(kinds) == 1 else ""
        urls: list[str] = kinds[0].get("profile", []) if code else []
        known = self._find(urls[0]) if len(urls) == 1 else None
        known = known or (self._find(_TYPE + code) if code and not code.startswith(_SYSTEM) else None)
        if known is None:
            raise self._unknown(element["id"] + ".*")
        elements = known["snapshot"]["element"]
        return elements[0]["id"], elements

    @staticmethod
    def _unknown(identity: str) -> InvalidError:
        return InvalidError(
            f"The differential names {identity[:200]}, which its base does not have; wanted an element of the base.",
            place="StructureDefinition.differential",
        )


def _wider(key: str, value: Any, target: Mapping[str, Any]) -> bool:
    """Return whether a change would allow more often than its base does: what conforms to it conforms to both."""
    if key == "min":
        return bool(value < target.get("min", 0))
    most = target.get("max", "*")
    return key == "max" and most != "*" and (value == "*" or int(value) > int(most))


def _named(bare: str, code: str) -> str:
    """Return the property of one type of a choice: value and Quantity make valueQuantity."""
    return bare + code[0].upper() + code[1:]
