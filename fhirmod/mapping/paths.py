"""Putting and getting by the short paths of the tables: ``performer[0].actor``, ``period.start``."""

import re
from functools import lru_cache
from typing import Any

_STEP = re.compile(r"(\w+)(\[0\])?")


@lru_cache(maxsize=256)
def _steps(path: str) -> tuple[tuple[str, bool], ...]:
    return tuple((name, bool(first)) for name, first in _STEP.findall(path))


def put_at(target: dict[str, Any], path: str, value: Any) -> None:
    """Write a value at a path, making what is missing on the way."""
    steps = _steps(path)
    if len(steps) == 1:
        [(last, in_list)] = steps
        target[last] = [value] if in_list else value
        return
    *way, (last, in_list) = steps
    for name, first in way:
        nested: Any = target.setdefault(name, [{}] if first else {})
        target = nested[0] if first else nested
    target[last] = [value] if in_list else value


def get_at(source: Any, path: str) -> Any:
    """Return the value at a path, or None; of a list, the first."""
    for name, first in _steps(path):
        source = source.get(name) if isinstance(source, dict) else None
        if first:
            source = source[0] if isinstance(source, list) and source else None
    return source
