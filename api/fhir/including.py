"""What a search brings along: `_include` follows references of what is given, `_revinclude` those that lead to it.

Source: http://hl7.org/fhir/R4/search.html#revinclude
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import NamedTuple

from fhirmod.errors import NotSupportedError, TooLargeError
from fhirmod.intake import leads_to, referring, target
from fhirmod.mapping import searches
from fhirmod.r4 import RESOURCE_TYPES, ReferenceValue, SearchParameter, parse, values_of
from fhirmod.store import Access, Reader, Version

MOST_INCLUDED = 1_000
_ROUNDS = 10  # how often :iterate goes on; what refers in a circle ends by itself
_AT_ONCE = 100  # targets in one question
INCLUDES = ("_include", "_include:iterate", "_revinclude", "_revinclude:iterate")
Key = tuple[str, str]


class Include(NamedTuple):
    """References by some parameters of a type, to one type or to any; followed backwards, and again from what came."""

    source: str
    params: tuple[str, ...]
    target: str
    backwards: bool
    iterate: bool


@cache
def linking(type_: str) -> Mapping[str, SearchParameter]:
    """Return the parameters of a type that follow a reference."""
    return {name: one for name, one in searches(type_).items() if one.type == "reference" and one.expression}


@cache
def included_by(type_: str) -> tuple[str, ...]:
    """Return what `_include` takes in a search of a type, as a CapabilityStatement says it."""
    return tuple(f"{type_}:{name}" for name in sorted(linking(type_)))


@cache
def bringing(type_: str) -> tuple[str, ...]:
    """Return what `_revinclude` takes in a search of a type."""
    return tuple(
        f"{source}:{name}"
        for source in sorted(RESOURCE_TYPES)
        for name, one in sorted(linking(source).items())
        if type_ in one.targets or "Resource" in one.targets
    )


def read_include(name: str, value: str) -> Include | NotSupportedError:
    """Return what one `_include` or `_revinclude` asks for, or the error that says that no such reference is known.

    >>> read_include("_include", "Observation:patient")
    Include(source='Observation', params=('patient',), target='', backwards=False, iterate=False)
    """
    plain, _, modifier = name.partition(":")
    source, _, rest = value.partition(":")
    param, _, led = rest.partition(":")
    known = sorted(linking(source)) if source in RESOURCE_TYPES else []
    params = tuple(one for one in known if param in ("*", one) and (not led or led in leads_to(source, one)))
    if not params:
        return NotSupportedError(
            f"There is no reference {value[:60]!r} to follow here; /fhir/metadata lists those there are.", place=name
        )
    return Include(source, params, led, plain == "_revinclude", modifier == "iterate")


@cache
def led_to(include: Include) -> frozenset[str]:
    """Return the types of what an `_include` brings along by one step: all, where R4 names none for a parameter."""
    if include.target:
        return frozenset((include.target,))
    return frozenset().union(*(leads_to(include.source, one) or RESOURCE_TYPES for one in include.params))


class Included:
    """The resources that are brought along with a page of matches, each once, none that is a match.

    Errors: TooLargeError beyond the most that are brought along.
    """

    def __init__(self, reader: Reader, access: Access, base: str) -> None:
        self._reader, self._access, self._base = reader, access, base
        self._there: set[Key] = set()
        self._found: dict[Key, Version] = {}

    def of(self, matches: Sequence[Version], asked: Sequence[Include]) -> list[Version]:
        """Return what is brought along, in the order of finding."""
        self._there = {(one.type, one.id) for one in matches}
        latest: Sequence[Version] = matches
        for number in range(_ROUNDS):
            wanted = [one for one in asked if one.iterate or number == 0]
            if not latest or not wanted:
                break
            latest = self._follow(latest, wanted)
        return list(self._found.values())

    def _follow(self, latest: Sequence[Version], asked: Sequence[Include]) -> list[Version]:
        """Return what one more step brings that was not there."""
        forwards = [one for one in asked if not one.backwards]
        ahead = dict.fromkeys(key for version in latest for key in self._led_to(version, forwards))
        came = [one for one in self._reader.get_many(self._access, [*ahead]).values() if one.body is not None]
        for include in asked:
            if include.backwards:
                came += self._leading_here(latest, include)
        new = [one for one in came if (one.type, one.id) not in self._there]
        for one in new:
            self._there.add((one.type, one.id))
            self._found[one.type, one.id] = one
        if len(self._found) > MOST_INCLUDED:
            raise TooLargeError(
                f"The search would bring along more than {MOST_INCLUDED} resources; ask for fewer by _count, or for "
                "them alone.",
                place="_include",
            )
        return list({(one.type, one.id): one for one in new}.values())

    def _led_to(self, version: Version, asked: Iterable[Include]) -> Iterator[Key]:
        own = [one for one in asked if one.source == version.type]
        resource = parse(version.body or b"{}") if own else {}
        for include in own:
            types = led_to(include)  # and no others: who asks has been judged by these
            for name in include.params:
                for value in values_of(linking(version.type)[name], resource):
                    if isinstance(value, ReferenceValue) and value.reference:
                        id_, type_ = target(value.reference.removeprefix(f"{self._base}/"))
                        if type_ in types and (type_, id_) not in self._there:
                            yield type_, id_

    def _leading_here(self, latest: Iterable[Version], asked: Include) -> Iterator[Version]:
        keys = [(one.type, one.id) for one in latest if asked.target in ("", one.type)]
        for begin in range(0, len(keys), _AT_ONCE):
            some = keys[begin : begin + _AT_ONCE]
            sought = referring(asked.source, asked.params, some)
            page = self._reader.search(self._access, asked.source, [sought], count=MOST_INCLUDED + 1, counted=False)
            yield from page.versions
