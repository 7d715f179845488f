"""Every example with one element dropped, changed or given twice; and whether its profile takes it."""

from collections.abc import Iterator, Mapping
from typing import Any

from fhirmod.mapping import BASE, known_profiles
from fhirmod.r4 import accepts, check, dump, parse
from terminology import OWN_SYSTEM

Step = str | int
_SAME = ("resourceType", "id")


def survivors(examples: Mapping[str, Mapping[str, Any]]) -> dict[tuple[str, str], set[str]]:
    """Return what no profile refuses: (what was done, where) and the profiles whose example took it."""
    found: dict[tuple[str, str], set[str]] = {}
    for url, example in examples.items():
        resource = parse(dump(example))
        for done, where in mutations(resource):
            if not _refused(resource, url):
                found.setdefault((done, where), set()).add(url.rpartition("/")[2])
    return found


def mutations(resource: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Return each mutation while the resource has it; it is undone afterwards."""
    for holder, key, where in list(_elements(resource, "")):
        old = holder[key]
        if isinstance(holder, list):
            yield from _without(holder, key, where)
        else:
            kept = list(holder.items())
            del holder[key]
            yield "drop", where
            holder.clear()
            holder.update(kept)
        if not isinstance(old, dict | list):
            holder[key] = _other(old)
            yield "change", where
            holder[key] = old
        elif isinstance(old, list):
            for one in (old[0], old[-1])[: len(old)]:
                old.append(one)
                yield "add", where
                old.pop()


def _without(holder: list[Any], key: int, where: str) -> Iterator[tuple[str, str]]:
    old = holder.pop(key)
    yield "drop", where
    holder.insert(key, old)


def _elements(value: Any, where: str) -> Iterator[tuple[Any, Any, str]]:
    """Return the holder, key and place of each element; ours among codings and extensions are named."""
    if isinstance(value, dict):
        for key, one in value.items():
            if where or key not in _SAME:
                here = f"{where}.{key}".removeprefix(".")
                yield value, key, here
                yield from _elements(one, here)
    elif isinstance(value, list):
        for number, one in enumerate(value):
            here = where + _mark(one)
            yield value, number, here
            yield from _elements(one, here)


def _mark(one: Any) -> str:
    if isinstance(one, dict) and one.get("system") == OWN_SYSTEM:
        return ":ours"
    if isinstance(one, dict) and str(one.get("url", "")).startswith(BASE):
        return ":" + str(one["url"]).rpartition("/")[2]
    return ""


def _other(value: Any) -> Any:
    match value:
        case bool():
            return not value
        case str():
            return "1999-01-01" if value[:1].isdigit() else f"{value}x"
        case _:
            return value + 1


def _refused(resource: dict[str, Any], url: str) -> bool:
    known = known_profiles()
    claimed = url in resource.get("meta", {}).get("profile", ())
    if claimed and accepts(resource, known):
        return False
    asked = known.profile(url)
    assert asked is not None
    found = check(resource, known=known, profiles=[] if claimed else [asked])
    return any(one.refuses for one in found)
