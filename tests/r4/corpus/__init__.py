"""The labelled corpus: valid instances, and changes to them that R4 forbids, each with what must be found.

`valid.json` holds label -> what it shows and the resource; `invalid.json` holds changes: `base` names a valid
instance, `set` and `drop` change it at a path of JSON names and numbers, `finds` lists [severity, code,
place] of every error and warning that must be found, and no other may be. All data is invented; labels
follow the R4 specification (http://hl7.org/fhir/R4), from which every case was written.
"""

import copy
import json
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


@cache
def _read(name: str) -> Any:
    return json.loads((HERE / name).read_text("utf-8"), parse_float=Decimal)


def valid() -> dict[str, dict[str, Any]]:
    """Return the valid resources by label, fresh each time."""
    return {label: copy.deepcopy(one["resource"]) for label, one in _read("valid.json").items()}


def invalid() -> list[dict[str, Any]]:
    """Return the invalid cases as written."""
    cases: list[dict[str, Any]] = _read("invalid.json")
    return cases


def changed(resource: dict[str, Any], case: dict[str, Any]) -> dict[str, Any]:
    """Return a copy of a resource with a case's changes made."""
    result = copy.deepcopy(resource)
    for path, value in case.get("set", {}).items():
        parent, last = _reach(result, path)
        if isinstance(parent, list) and int(last) == len(parent):
            parent.append(copy.deepcopy(value))
        else:
            parent[int(last) if isinstance(parent, list) else last] = copy.deepcopy(value)
    for path in case.get("drop", ()):
        parent, last = _reach(result, path)
        del parent[int(last) if isinstance(parent, list) else last]
    return result


def _reach(node: Any, path: str) -> tuple[Any, str]:
    *names, last = path.split(".")
    for name in names:
        node = node[int(name) if isinstance(node, list) else name]
    return node, last
