"""The fast subset taken apart: the schema of resources, extensions and elements in lists by what is asked of them.

In lists, what many ask alike is compiled once, and is near the processor when it is needed.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from .known import Known
from .merging import lean, shared
from .profile_subset import Sliced, demand
from .sorting import Asked, Part, Sorting, marks
from .subset import SUBSET_TYPES, Making

Schema = dict[str, Any]


def types_schema(known: Known, *, quiet: bool = False) -> tuple[Schema, Mapping[str, Asked]]:
    """Return the schema of resources in lists by their types, and what each known extension asks, by its URL.

    Shape: a Bundle stands without the resources of its entries, a resource without its known extensions: they stand in
           lists of their own. What is `quiet` gives no warning either.
    """
    making, lists = Making(known, quiet=quiet, apart=True), _Lists()
    making.defs["Resource"] = {"type": "object"}
    lists.asked.update({name: {"$ref": making.definition(name)} for name in (*SUBSET_TYPES, "Bundle")})
    making.finish()
    extensions = {url: _extension(url, making, lists) for url in making.extensions}
    return lists.schema(making.defs), extensions


def claims_schema(known: Known, *, quiet: bool = False) -> tuple[Schema, Mapping[str, Asked]]:
    """Return the schema of what profiles ask beyond types and extensions, and what each profile asks, by its URL.

    Shape: a profile that no schema can say is left out.
    """
    lists, found = _Lists(), {}
    made: list[tuple[str, Schema, list[Sliced]]] = []
    for one in known.claimable():
        sliced: list[Sliced] = []
        if (whole := demand(one, known, quiet=quiet, sort=sliced.append)) is not None:
            made.append((one.url, whole, sliced))
    often = Counter((name, repr(asked)) for _, whole, _ in made for name, asked in whole.get("properties", {}).items())
    for url, whole, sliced in made:
        named = whole.pop("properties", {})
        shut = {name: asked for name, asked in sorted(named.items()) if asked is False}
        alike = {name: one for name, one in named.items() if name not in shut and often[name, repr(one)] >= _MANY}
        asks = whole | ({"properties": alike} if alike else {})
        found[url] = Asked(
            tuple(lists.name(asked) for asked in (asks, {"properties": shut} if shut else {}) if asked),
            tuple((name, lists.name(asked)) for name, asked in named.items() if name not in shut | alike),
            tuple(
                Sorting(each.name, _marks(each), _parts(each, lists, {part[0]: part[2] for part in each.parts}))
                for each in sliced
            ),
        )
    return lists.schema({}), found


_MANY = 8  # what so many ask alike is at hand anyway


def _extension(url: str, making: Making, lists: "_Lists") -> Asked:
    """Return what a known extension asks: of itself, and of each of the extensions in it where these are told."""
    sliced: list[Sliced] = []
    asked = making.known_extension(url, sort=sliced.append)
    if not sliced:
        return Asked((lists.name(asked),), (), ())
    (inner,) = sliced
    within = asked["properties"]["extension"]
    each = within["items"]
    asks = {
        mark: _told(making.merging.both(making.merging.given(each, "url", mark), more)) for mark, _, more in inner.parts
    }
    whole = asked | {"properties": asked["properties"] | {"extension": within | {"items": True}}}
    sorting = Sorting(inner.name, _marks(inner), _parts(inner, lists, asks), lists.name(each))
    return Asked((lists.name(whole),), (), (sorting,))


def _marks(of: Sliced) -> Callable[[Any], Iterable[Any]] | None:
    return None if of.way == [["name", "url"]] else marks(of.way)


def _told(extension: Any) -> Any:
    """Return what an extension must be whose url is known: not asked again, it leaves several in one list."""
    return extension if extension is False else extension | {"properties": extension["properties"] | {"url": True}}


def _parts(sliced: Sliced, lists: "_Lists", asks: Mapping[Any, Any]) -> dict[Any, Part]:
    return {
        mark: Part(number, once, "" if asks[mark] == {} else lists.name(asks[mark]))
        for number, (mark, once, _) in enumerate(sliced.parts)
    }


class _Lists:
    """Lists by name, each with what is asked of what stands in it; what is asked alike has one list."""

    def __init__(self) -> None:
        self.asked: dict[str, Any] = {}
        self._names: dict[str, str] = {}

    def name(self, asked: Any) -> str:
        """Return the name of the list for what is asked."""
        name = self._names.setdefault(repr(asked), str(len(self._names)))
        self.asked[name] = asked
        return name

    def schema(self, defs: Mapping[str, Schema]) -> Schema:
        """Return the schema of all lists."""
        return shared(
            lean(
                {
                    "$schema": "https://json-schema.org/draft/2020-12/schema",
                    "properties": {name: {"items": one} for name, one in self.asked.items()},
                    "additionalProperties": False,
                    "$defs": defs,
                }
            )
        )
