"""The rules of partners' profiles, which have no function here: FHIRPath, evaluated by fhirpathpy.

What that library lacks is supplied (`hasValue`, `resolve`, every `extension` and not the first alone), or the rule is
said to be not evaluated. It counts a primitive with an extension as two nodes, so what stands beside values is shown
to it only where a rule speaks of that.
"""

import copy
import re
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache
from itertools import zip_longest
from typing import Any

from .invariants import Scope, Truth

Resolve = Callable[[str], Any]

# The library keeps constants of an evaluation in its module, so one thread at a time evaluates.
_ONE_AT_A_TIME = threading.Lock()
_AS = re.compile(r"\.as\((\w+)\)")
_TRACE = re.compile(r"\.trace\('[^']*'(?:,[^()]*)?\)")
_BESIDE = re.compile(r"extension|descendants|children|\bid\b")
_WORDS = re.compile(r"'(?:[^'\\]|\\.)*'|`[^`]*`|\$this|[A-Za-z_]\w*\(|.", re.DOTALL)
_EXTENSIONS = frozenset(("extension", "modifierExtension"))
_GAPS = re.compile(r"\b(?:memberOf|subsumes|conformsTo|lowBoundary|highBoundary|htmlChecks|slice|elementDefinition)\(")


class NotEvaluatedError(Exception):
    """Raised where a rule cannot be evaluated: the expression does not parse, or uses what is not there."""


def holds(
    text: str, node: Any, path: list[str], scope: Scope, resolve: Resolve, beside: Any = None, extension: Any = None
) -> Truth:
    """Return whether a rule holds for a node; None is FHIRPath's empty, which has not failed.

    Shape: `path` is the type or the element names of the node (`Observation`, `component`), so that choices are known;
           `beside` holds a primitive's id and extensions, `extension` is what `%extension` stands for.
    Errors: NotEvaluatedError with the reason.
    """
    if _GAPS.search(text):
        raise NotEvaluatedError("it uses a function that is not evaluated here")
    with _ONE_AT_A_TIME:
        try:
            found = _evaluated(text, node, path, scope, resolve, beside, extension)
        except Exception as broken:  # noqa: BLE001 - whatever the library raises, the rule was not evaluated
            raise NotEvaluatedError(f"it could not be evaluated ({type(broken).__name__})") from None
    if not found:
        return None
    return len(found) > 1 or found[0] is not False


def selects(text: str, node: Any, scope: Scope) -> bool:
    """Return whether an expression selects this very node of its resource; one that cannot be evaluated might.

    Shape: of a primitive the node is its value, and an equal one will do.
    """
    kind, copies = str(scope.resource.get("resourceType")), dict[int, Any]()
    own = copy.deepcopy(dict(scope.resource), copies)
    with _ONE_AT_A_TIME:
        try:
            found = _evaluated(text, own, [kind], Scope(own, own), lambda _link: None, raw=True)
        except Exception:  # noqa: BLE001 - whatever the library raises, the expression was not evaluated
            return True
    data = [getattr(one, "data", one) for one in found]
    if node is scope.resource:
        return any(one is own for one in data)
    return any(one is copies.get(id(node)) if isinstance(node, dict) else one == node for one in data)


def _evaluated(
    text: str,
    node: Any,
    path: list[str],
    scope: Scope,
    resolve: Resolve,
    beside: Any = None,
    extension: Any = None,
    *,
    raw: bool = False,
) -> list[Any]:
    from fhirpathpy import apply_parsed_path  # noqa: PLC0415 - only partners' rules need the engine
    from fhirpathpy.engine.nodes import ResourceNode  # noqa: PLC0415
    from fhirpathpy.engine.util import arraify  # noqa: PLC0415
    from fhirpathpy.models import models  # noqa: PLC0415

    def has_value(values: list[Any]) -> bool:
        data = [one.data if isinstance(one, ResourceNode) else one for one in values]
        data = data[:1] if data[1:] and isinstance(data[1], dict) and data[1].keys() <= {"id", "extension"} else data
        return len(data) == 1 and not isinstance(data[0], dict | list) and data[0] is not None

    def extensions(values: list[Any], url: str) -> list[Any]:
        data = [one.data if isinstance(one, ResourceNode) else one for one in values]
        held = [each for one in data if isinstance(one, Mapping) for each in one.get("extension", ())]
        return [ResourceNode.create_node(one, "Extension") for one in held if one.get("url") == url]

    def resolved(values: list[Any]) -> list[Any]:
        data = [one.data if isinstance(one, ResourceNode) else one for one in values]
        links = [one.get("reference") if isinstance(one, Mapping) else one for one in data]
        targets = [resolve(one) for one in links if isinstance(one, str)]
        return [ResourceNode.create_node(copied(one)) for one in targets if one is not None]

    functions = {
        "hasValue": {"fn": has_value, "arity": {0: []}},
        "resolve": {"fn": resolved, "arity": {0: []}},
        "extension": {"fn": extensions, "arity": {1: ["String"]}},
    }
    copied = _same if raw else copy.deepcopy if _BESIDE.search(text) else _values_alone
    context = {
        "resource": ResourceNode.create_node(copied(scope.resource)),
        "rootResource": ResourceNode.create_node(copied(scope.root)),
        "extension": ResourceNode.create_node(copied(extension), "Extension"),
    }
    own = copied(node)
    # A path that begins with its resource's type is told only by a plain object; any other node carries its path.
    resource = isinstance(own, dict) and "resourceType" in own
    kind = _typed(path, models["r4"]["path2Type"])
    subject = arraify(own if resource else ResourceNode.create_node(own, kind))
    if isinstance(beside, dict) and (own is None or copied is copy.deepcopy):
        subject = [*(subject if own is not None else ()), ResourceNode.create_node(copy.deepcopy(beside), kind)]
    found: list[Any] = apply_parsed_path(
        subject, _parsed(text), context, models["r4"], {"userInvocationTable": functions, "returnRawData": raw}
    )
    return found


@lru_cache(maxsize=512)
def _parsed(text: str) -> Any:
    from fhirpathpy.parser import parse  # noqa: PLC0415

    return parse(_outermost(_TRACE.sub("", _AS.sub(r".ofType(\1)", text))))


def _outermost(text: str) -> str:
    """Return an expression whose outermost `$this` is written `%context`, which the library keeps and `$this` it loses.

    >>> _outermost("$this.a.where($this = '$this') and ($this.b)")
    "%context.a.where($this = '$this') and (%context.b)"
    """
    calls: list[bool] = []
    found = []
    for word in _WORDS.findall(text):
        if word[-1] == "(":
            calls.append(len(word) > 1)
        elif word == ")" and calls:
            calls.pop()
        found.append("%context" if word == "$this" and not any(calls) else word)
    return "".join(found)


def _typed(path: list[str], types: Mapping[str, str]) -> str:
    """Return the type that element names lead to, or the path where that is a nested element."""
    kind = path[0]
    for name in path[1:]:
        kind = "Extension" if name in _EXTENSIONS else types.get(f"{kind}.{name}", f"{kind}.{name}")
    return kind


def _same(node: Any) -> Any:
    return node


def _values_alone(node: Any) -> Any:
    """Return a copy without what stands beside primitives that have a value."""
    if isinstance(node, list):
        return [_values_alone(one) for one in node]
    if not isinstance(node, Mapping):
        return node
    found = {}
    for key, value in node.items():
        own = node.get(key[1:]) if key.startswith("_") else None
        if isinstance(own, list) and isinstance(value, list):
            value = [None if has is not None else one for one, has in zip_longest(value, own)]  # noqa: PLW2901
        if own is None or (isinstance(own, list) and any(one is not None for one in value)):
            found[key] = _values_alone(value)
    return found
