"""JSON Patch (RFC 6902) applied to a parsed resource, digits untouched.

A patch makes a changed copy or raises; the resource given is never altered. What comes out is not yet
checked: `check` it before it is stored.
Source: RFC 6902, RFC 6901 (pointers).
"""

import copy
import re
from typing import Any

from fhirmod.errors import InvalidError, UnreadableError

Json = dict[str, Any]
_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


def json_patch(resource: Json, operations: Any) -> Json:
    """Return the resource with a JSON Patch document applied, all of it or nothing.

    Errors: UnreadableError if the document is no JSON Patch; InvalidError if an operation does not apply.
    """
    if not isinstance(operations, list):
        raise UnreadableError("The JSON Patch is not a list; wanted a list of operations.")
    holder = {"": copy.deepcopy(resource)}
    for number, operation in enumerate(operations):
        _Pointer(holder, number).apply(operation)
    changed = holder[""]
    if not isinstance(changed, dict):
        raise InvalidError("The JSON Patch replaces the resource by something else; wanted a resource.")
    return changed


class _Pointer:
    """One operation of a JSON Patch on a document held under the empty name."""

    def __init__(self, holder: Json, number: int) -> None:
        self._holder = holder
        self._name = f"Operation {number} of the JSON Patch"

    def apply(self, operation: Any) -> None:
        kind = operation.get("op") if isinstance(operation, dict) else None
        make = {
            "add": self._add,
            "remove": self._remove,
            "replace": self._replace,
            "move": self._move,
            "copy": self._copy,
            "test": self._test,
        }.get(kind if isinstance(kind, str) else "")
        if make is None:
            raise UnreadableError(f"{self._name} has no known op; wanted add, remove, replace, move, copy or test.")
        make(operation)

    def _add(self, operation: Json) -> None:
        self._put(self._path(operation, "path"), self._value(operation))

    def _remove(self, operation: Json) -> None:
        self._take(self._path(operation, "path"))

    def _replace(self, operation: Json) -> None:
        path = self._path(operation, "path")
        self._get(path)
        parent, last = self._reach(path)
        parent[int(last) if isinstance(parent, list) else last] = self._value(operation)

    def _move(self, operation: Json) -> None:
        source, path = self._path(operation, "from"), self._path(operation, "path")
        if path[: len(source)] == source and path != source:
            raise InvalidError(f"{self._name} moves a value into itself; wanted another place.")
        self._put(path, self._take(source))

    def _copy(self, operation: Json) -> None:
        self._put(self._path(operation, "path"), copy.deepcopy(self._get(self._path(operation, "from"))))

    def _test(self, operation: Json) -> None:
        if not _same(self._get(self._path(operation, "path")), self._value(operation)):
            raise InvalidError(f"{self._name} tests for a value that is not there; wanted the tested value.")

    def _value(self, operation: Json) -> Any:
        if "value" not in operation:
            raise UnreadableError(f"{self._name} has no value; wanted one.")
        return copy.deepcopy(operation["value"])

    def _path(self, operation: Json, name: str) -> list[str]:
        text = operation.get(name)
        if not isinstance(text, str) or (text and not text.startswith("/")):
            raise UnreadableError(f"{self._name} has no JSON Pointer as {name}; wanted one such as /status.")
        return [part.replace("~1", "/").replace("~0", "~") for part in text.split("/")]

    def _reach(self, path: list[str]) -> tuple[Any, str]:
        node: Any = self._holder
        for part in path[:-1]:
            node = self._step(node, part)
        return node, path[-1]

    def _get(self, path: list[str]) -> Any:
        parent, last = self._reach(path)
        return self._step(parent, last)

    def _step(self, node: Any, part: str) -> Any:
        if isinstance(node, dict) and part in node:
            return node[part]
        if isinstance(node, list) and _INDEX.fullmatch(part) and int(part) < len(node):
            return node[int(part)]
        raise InvalidError(f"{self._name} points to what is not there; wanted a path that exists.")

    def _take(self, path: list[str]) -> Any:
        value = self._get(path)
        parent, last = self._reach(path)
        del parent[int(last) if isinstance(parent, list) else last]
        return value

    def _put(self, path: list[str], value: Any) -> None:
        parent, last = self._reach(path)
        if isinstance(parent, dict):
            parent[last] = value
        elif isinstance(parent, list) and last == "-":
            parent.append(value)
        elif isinstance(parent, list) and _INDEX.fullmatch(last) and int(last) <= len(parent):
            parent.insert(int(last), value)
        else:
            raise InvalidError(f"{self._name} adds where nothing can stand; wanted an object or a list place.")


def _same(one: Any, other: Any) -> bool:
    """RFC 6902 equality: numbers by value, and true is not 1."""
    if isinstance(one, bool) or isinstance(other, bool):
        return one is other
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    return bool(one == other)
