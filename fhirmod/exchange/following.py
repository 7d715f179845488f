"""What resources refer to, and what these refer to in turn: who, where and with what."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from fhirmod.intake import target
from fhirmod.r4 import parse, references
from fhirmod.store import Access, Key, Reader, Sought, Version

_MOST_NAMED = 1_000  # resources of one type that are named by their identifiers


class Led(NamedTuple):
    """A resource that is given to be followed from: its place, and what it says."""

    lead: int
    version: Version
    resource: Mapping[str, Any]


class Found(NamedTuple):
    """A resource that is referred to, with the place of the first that leads to it."""

    lead: int
    version: Version


class Following:
    """References followed to the living resources they mean, each once.

    Shape: `goes_on` says, by the parsed resource, None: leave it out, False: take it, True: take it and follow it too.
    """

    def __init__(
        self, reader: Reader, access: Access, base: str, goes_on: Callable[[Mapping[str, Any]], bool | None]
    ) -> None:
        self._reader, self._access, self._base, self._goes_on = reader, access, base, goes_on
        self._met: dict[Key, Version | None] = {}
        self._ahead: dict[Key, list[Key]] = {}

    def of(self, given: Sequence[Led]) -> list[Found]:
        """Return what the given resources lead to, in their order; each has a number that only grows.

        Shape: the place of what is found does not change when something is given behind the last.
        """
        there = [(one.version.type, one.version.id) for one in given]
        self._met = dict.fromkeys(there)
        latest: Sequence[tuple[Key, Any]] = [(key, one.resource) for key, one in zip(there, given, strict=True)]
        while latest:
            latest = self._look(latest)
        return list(self._in_order(zip((one.lead for one in given), there, strict=True)))

    def _look(self, latest: Sequence[tuple[Key, Any]]) -> list[tuple[Key, Any]]:
        """Return what is new and is to be followed in its turn."""
        named: defaultdict[str, dict[tuple[str, str], list[Key]]] = defaultdict(dict)
        for key, resource in latest:
            led = (target(text.removeprefix(f"{self._base}/")) for _, text in references(resource))
            self._ahead[key] = list(dict.fromkeys((type_, id_) for id_, type_ in led if type_))
            for type_, system, value in logical(resource):
                if system and value:
                    named[type_].setdefault((system, value), []).append(key)
        wanted = [key for one, _ in latest for key in self._ahead[one] if key not in self._met]
        came = list(self._reader.get_many(self._access, wanted).values())
        for type_, by in named.items():
            came += self._identified(type_, by)
        further = []
        for one in came:
            key = (one.type, one.id)
            if one.body is None or key in self._met:
                continue
            resource = parse(one.body)
            goes_on = self._goes_on(resource)
            self._met[key] = None if goes_on is None else one
            if goes_on:
                further.append((key, resource))
        return further

    def _identified(self, type_: str, by: Mapping[tuple[str, str], list[Key]]) -> list[Version]:
        """Return the resources of a type that logical references name, and note who named them."""
        named = Sought(("identifier",), tuple((("text", "=", value), ("scope", "=", system)) for system, value in by))
        page = self._reader.search(self._access, type_, [named], count=_MOST_NAMED)
        for one in page.versions:
            for identifier in parse(one.body or b"{}").get("identifier", ()):
                for key in by.get((identifier.get("system", ""), identifier.get("value", "")), ()):
                    self._ahead[key].append((one.type, one.id))
        return page.versions

    def _in_order(self, given: Iterable[tuple[int, Key]]) -> Iterator[Found]:
        for lead, key in given:
            waiting = list(self._ahead.get(key, ()))
            while waiting:
                one = waiting.pop(0)
                version = self._met.pop(one, None)
                if version is not None:
                    yield Found(lead, version)
                    waiting.extend(self._ahead.get(one, ()))


def logical(value: Any) -> Iterator[tuple[str, str, str]]:
    """Yield type, system and value of each reference that names its target by an identifier alone; "" for none."""
    if isinstance(value, dict):
        type_, identifier = value.get("type"), value.get("identifier")
        if isinstance(type_, str) and isinstance(identifier, dict) and "reference" not in value:
            yield type_, identifier.get("system", ""), identifier.get("value", "")
        for item in value.values():
            yield from logical(item)
    elif isinstance(value, list):
        for item in value:
            yield from logical(item)
