"""FHIRPath Patch applied to a parsed resource, digits untouched; the same promises as `json_patch`.

Source: http://hl7.org/fhir/R4/fhirpatch.html
"""

import copy
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fhirmod.errors import InvalidError, UnreadableError

from .paths import Node, OutsideError, children, compile_path
from .shapes import Field, shape

Json = dict[str, Any]


def fhirpath_patch(resource: Json, parameters: Json) -> Json:
    """Return the resource with a FHIRPath Patch (a Parameters resource) applied, all of it or nothing.

    Shape:  paths are the compiled ones of `paths` (names, [n], where(name='text')).
    Errors: UnreadableError if the Parameters are no FHIRPath Patch; InvalidError if one does not apply.
    """
    changed = copy.deepcopy(resource)
    for number, operation in enumerate(_listed(parameters, "parameter")):
        if operation.get("name") != "operation":
            raise UnreadableError("A parameter of the patch is not named operation; wanted operations only.")
        _Operation(changed, number, operation).apply()
    return changed


def _listed(node: Json, name: str) -> list[Json]:
    found = node.get(name)
    return [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []


class _Operation:
    """One operation of a FHIRPath Patch on a resource that may be changed."""

    def __init__(self, resource: Json, number: int, operation: Json) -> None:
        self._resource = resource
        self._name = f"Operation {number} of the FHIRPath Patch"
        self._parts = {str(part.get("name")): part for part in _listed(operation, "part")}

    def apply(self) -> None:
        kind = self._plain("type", str)
        make: Mapping[str, Callable[[], None]] = {
            "add": self._add,
            "insert": self._insert,
            "delete": self._delete,
            "replace": self._replace,
            "move": self._move,
        }
        if kind not in make:
            raise UnreadableError(f"{self._name} has no known type; wanted add, insert, delete, replace or move.")
        make[kind]()

    def _plain(self, name: str, kind: type) -> Any:
        part = self._parts.get(name, {})
        value = next((one for key, one in part.items() if key.startswith("value")), None)
        if not isinstance(value, kind) or isinstance(value, bool):
            raise UnreadableError(f"{self._name} has no usable {name}; wanted one.")
        return value

    def _path(self) -> str:
        """Return the path from the resource's type on; R4's context is the resource, so the type may be left out."""
        path: str = self._plain("path", str)
        kind = str(self._resource.get("resourceType"))
        return path if path == kind or path.startswith(f"{kind}.") else f"{kind}.{path}"

    def _nodes(self, path: str) -> list[Node]:
        kind = str(self._resource.get("resourceType"))
        try:
            return compile_path(kind, path).select(self._resource)
        except OutsideError as error:
            raise InvalidError(f"{self._name} has a path that is not covered: {error}") from None

    def _one(self, path: str) -> Node:
        nodes = self._nodes(path)
        if len(nodes) != 1:
            raise InvalidError(f"{self._name} has a path to {len(nodes)} elements; wanted exactly one.")
        return nodes[0]

    def _add(self) -> None:
        node, name = self._one(self._path()), self._plain("name", str)
        if not isinstance(node.value, dict):
            raise InvalidError(f"{self._name} adds to a bare value; wanted an element that has children.")
        kind = node.value.get("resourceType", "") if node.type == "Resource" else node.type
        field, value = self._valued(kind, name)
        if field.many:
            node.value.setdefault(field.key, []).append(value)
        elif any(one.key in node.value for one in shape(kind).by_name[name]):
            raise InvalidError(f"{self._name} adds {name}, which is there already; wanted replace.")
        else:
            node.value[field.key] = value

    def _valued(self, kind: str, name: str) -> tuple[Field, Any]:
        """Return which property of a type the operation's value is for, and the value."""
        part = self._parts.get("value")
        if part is None:
            raise UnreadableError(f"{self._name} has no value; wanted one.")
        try:
            fields = shape(kind).by_name.get(name, ())
        except KeyError:
            fields = ()
        if not fields:
            raise InvalidError(f"{self._name} names {name[:64]}, which {kind} does not have; wanted one of its own.")
        return self._read(part, fields)

    def _read(self, part: Json, fields: tuple[Field, ...]) -> tuple[Field, Any]:
        for key, value in part.items():
            if key.startswith("value") and len(key) > len("value"):
                chosen = next((f for f in fields if not f.choice or f.key[len(f.name) :] == key[len("value") :]), None)
                if chosen is None:
                    raise InvalidError(f"{self._name} has a value of a type {fields[0].name} does not take.")
                return chosen, copy.deepcopy(value)
        built: Json = {}
        for inner in _listed(part, "part"):
            own = shape(fields[0].type).by_name.get(str(inner.get("name")), ())
            if not own:
                raise InvalidError(f"{self._name} builds {fields[0].name} from a part it does not have.")
            field, value = self._read(inner, own)
            if field.many:
                built.setdefault(field.key, []).append(value)
            else:
                built[field.key] = value
        if not built:
            raise UnreadableError(f"{self._name} has no value; wanted one.")
        return fields[0], built

    def _insert(self) -> None:
        owner, field, items = self._list()
        index = self._plain("index", int)
        if not 0 <= index <= len(items):
            raise InvalidError(f"{self._name} inserts at {index} of {len(items)}; wanted a place in the list.")
        _, value = self._valued(owner.type, field.name)
        items.insert(index, value)

    def _move(self) -> None:
        _, _, items = self._list()
        source, destination = self._plain("source", int), self._plain("destination", int)
        if not (0 <= source < len(items) and 0 <= destination < len(items)):
            raise InvalidError(
                f"{self._name} moves {source} to {destination} of {len(items)}; wanted both in the list."
            )
        items.insert(destination, items.pop(source))

    def _list(self) -> tuple[Node, Field, list[Any]]:
        """Return the owner, property and list that the operation's path names."""
        above, _, name = self._path().rpartition(".")
        owner = self._one(above)
        kind = owner.value.get("resourceType", "") if owner.type == "Resource" else owner.type
        field = next(iter(shape(kind).by_name.get(name, ())), None)
        if field is None or not field.many or not isinstance(owner.value, dict):
            raise InvalidError(f"{self._name} has a path to no list; wanted an element that repeats.")
        items = owner.value.setdefault(field.key, [])
        if not isinstance(items, list):
            raise InvalidError(f"{self._name} has a path to no list; wanted an element that repeats.")
        return Node(kind, owner.value, owner.place), field, items

    def _delete(self) -> None:
        nodes = self._nodes(self._path())
        if len(nodes) > 1:
            raise InvalidError(f"{self._name} deletes {len(nodes)} elements; wanted at most one.")
        for node in nodes:
            owner, key, index = self._where(node)
            if index < 0:
                del owner[key]
            else:
                del owner[key][index]
                if not owner[key]:
                    del owner[key]

    def _replace(self) -> None:
        node = self._one(self._path())
        owner, key, index = self._where(node)
        above = next(one for one in _walk(self._root()) if one.value is owner)
        kind = owner.get("resourceType", "") if above.type == "Resource" else above.type
        field, value = self._valued(kind, node.place.rpartition(".")[2].partition("[")[0])
        if index >= 0:
            owner[key][index] = value
        elif field.key == key:
            owner[key] = value
        else:  # a choice of another type takes its place
            del owner[key]
            owner[field.key] = value

    def _root(self) -> Node:
        kind = str(self._resource.get("resourceType"))
        return Node(kind, self._resource, kind)

    def _where(self, node: Node) -> tuple[Json, str, int]:
        """Return the object, property and index (or -1) a node stands at."""
        name = node.place.rpartition(".")[2].partition("[")[0]
        for one in _walk(self._root()):
            kind = one.value.get("resourceType", "") if one.type == "Resource" else one.type
            for field in _fields(kind, name):
                found = one.value.get(field.key)
                if isinstance(found, list):
                    for index, item in enumerate(found):
                        if item is node.value and f"{one.place}.{name}[{index}]" == node.place:
                            return one.value, field.key, index
                elif found is node.value and found is not None and f"{one.place}.{name}" == node.place:
                    return one.value, field.key, -1
        raise InvalidError(f"{self._name} has a path to the resource itself; wanted an element of it.")


def _fields(kind: str, name: str) -> tuple[Field, ...]:
    try:
        return shape(kind).by_name.get(name, ())
    except KeyError:
        return ()


def _walk(node: Node) -> Iterator[Node]:
    """Return a node and every object below it, each with its type and place."""
    if not isinstance(node.value, dict):
        return
    yield node
    kind = node.value.get("resourceType", "") if node.type == "Resource" else node.type
    try:
        names = shape(kind).by_name
    except KeyError:
        return
    for name in names:
        for child in children(node, name):
            yield from _walk(child)
