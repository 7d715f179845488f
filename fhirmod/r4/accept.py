"""The fast way in: whether a resource is plainly valid, so that the walker need not be asked.

The walker is the definition. `accepts` says yes only where the walker would find no error (a property test
holds it to that); a no means nothing, and `refusals` then asks the walker.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from functools import cache, lru_cache
from typing import Any, NamedTuple

import jsonschema_rs

from fhirmod.errors import Finding

from .apart import claims_schema, types_schema
from .bundles import Bundle
from .check import check
from .claims import asked, of_another_type
from .definition_reading import BROKEN
from .inside import Inside
from .invariants import Scope
from .invariants.logic import each
from .keywords import KEYWORDS
from .known import R4, Known
from .links import Link
from .places import Place
from .plan import plan
from .profile_subset import linked
from .sorting import Asked
from .subset import SUBSET_TYPES, Schema, ways
from .walk import BEST_PRACTICE, Walk

Narrowing = tuple[tuple[str, ...], Mapping[str, tuple[str, ...]]]

_KINDS = frozenset((*SUBSET_TYPES, "Bundle"))
_FOLLOWED = frozenset(("transaction", "batch", "message"))
_LISTS = frozenset(("collection", "searchset"))  # by R4's rules their entries have no request and no response


class _Route(NamedTuple):
    """The known profiles a resource claims, and where they narrow what its references lead to.

    Shape: `typed` narrow the type alone, `profiled` ask a profile too.
    """

    profiles: tuple[str, ...]
    typed: tuple[Narrowing, ...]
    profiled: tuple[Narrowing, ...]


def refusals(resource: Any, known: Known = R4) -> list[Finding]:
    """Return the errors R4 finds in a parsed resource or Bundle; warnings are `check`'s business."""
    return [] if accepts(resource, known) else [one for one in check(resource, known=known) if one.refuses]


def accepts(resource: Any, known: Known = R4) -> bool:
    """Return whether a parsed resource or Bundle is of the fast subset: then R4 has nothing against it."""
    try:
        return _accepts(resource, known)
    except (RecursionError, *BROKEN):
        return False


def _accepts(resource: Any, known: Known) -> bool:
    """Return the same of anything; what has not the form of a resource may raise."""
    if resource["resourceType"] != "Bundle":
        return _judged([resource], known) is not None
    entries = resource.get("entry", ())
    routes = _judged([resource, *(entry["resource"] for entry in entries if "resource" in entry)], known)
    if routes is None:
        return False
    numbers = [number for number, entry in enumerate(entries) if "resource" in entry]
    tidy = resource["type"] in _LISTS and _tidy(entries)
    asking = [(n, r) for n, r in zip(numbers, routes[1:], strict=True) if r.profiled or (r.typed and not tidy)]
    if tidy and not asking:
        return True
    inside = Inside(resource)
    if not tidy and not _whole(resource, inside):
        return False
    return all(
        _leads(entries[n]["resource"], route.profiled if tidy else route.profiled + route.typed, known, inside, n)
        for n, route in asking
    )


def said_at_once(resource: Any, known: Known = R4) -> list[Finding] | None:
    """Return what `check` says of a resource where that is plain, nothing or that it has no narrative; else None."""
    try:
        kind = resource["resourceType"]
        routes = None if kind == "Bundle" else _judged([resource], known, quiet=True)
        if routes is None or not all(_conforms(resource, url, known, quiet=True) for url in _asked(resource, known)):
            return None
    except (RecursionError, *BROKEN):
        return None
    text = resource.get("text")
    return [] if text is not None and "div" in text else [*_without_narrative(kind)]


def _asked(resource: Mapping[str, Any], known: Known) -> Iterator[str]:
    """Return the known profiles that a resource's code calls for; of these, what is lacking is a warning."""
    yield from (one.url for url in asked(resource) if (one := known.profile(url)) is not None)


@cache
def _without_narrative(kind: str) -> tuple[Finding, ...]:
    """Return what the walker says of a resource that has no narrative: R4's one best practice, dom-6."""
    walk, resource = Walk(), {"resourceType": kind}
    best = [one for one in plan(kind).checks if one[0] in BEST_PRACTICE]
    walk.rules(best, resource, (None, kind, -1), Scope(resource, resource))
    return tuple(walk.findings)


def _judged(resources: list[Any], known: Known, *, quiet: bool = False) -> list[_Route] | None:
    """Return the routes of resources that plainly are as their types and profiles ask, or None if one is not."""
    types, profiles = _types(known, quiet), None
    lists: dict[str, list[Any]] = defaultdict(list)
    claims: dict[str, list[Any]] = defaultdict(list)
    routes = []
    for one in resources:
        kind, claimed = one["resourceType"], tuple(one["meta"].get("profile", ())) if "meta" in one else ()
        route = _route(known, kind, claimed, quiet)
        if route is None:
            return None
        routes.append(route)
        lists[kind].append(one)
        for extension in one.get("extension", ()):
            asked = types.asked.get(extension["url"])
            if asked is not None and not asked.put(extension, lists):
                return None
        if route.profiles:
            profiles = profiles or _profiles(known, quiet)
            for url in route.profiles:
                if not profiles.asked[url].put(one, claims):
                    return None
    if len(lists["Bundle"]) > 1 or not types.judge.is_valid(lists):
        return None
    return routes if profiles is None or profiles.judge.is_valid(claims) else None


def _tidy(entries: Iterable[Any]) -> bool:
    """Return whether each entry is a resource at its own address: then what a reference leads to is what it names."""
    for entry in entries:
        resource = entry.get("resource", _NOTHING)
        url, own = entry.get("fullUrl", ""), f"/{resource.get('resourceType')}/{resource.get('id')}"
        if not url.startswith(("http://", "https://")) or not url.endswith(own):
            return False
    return True


@lru_cache(maxsize=1024)  # the URLs come from whoever asks, so what is kept is bounded
def _route(known: Known, kind: str, claimed: tuple[str, ...], quiet: bool) -> _Route | None:
    """Return where a resource of a type that claims profiles is judged, or None if only the walker can."""
    named = {url: known.profile(url) for url in claimed}
    profiles = list(dict.fromkeys(one for one in named.values() if one is not None))
    urls = tuple(one.url for one in profiles)
    if kind not in _KINDS or any(of_another_type(url, one, kind) for url, one in named.items()):
        return None
    if urls and not _profiles(known, quiet).asked.keys() >= {*urls}:
        return None
    links = [link for one in profiles for link in linked(one)]
    profiled = tuple(link for link in links if any(link[1].values()))
    return _Route(urls, tuple(link for link in links if link not in profiled), profiled)


def _leads(resource: Mapping[str, Any], links: Iterable[Narrowing], known: Known, inside: Inside, number: int) -> bool:
    """Return whether what the resource's references lead to is what its profiles ask of it, as far as it is here."""
    for way, targets in links:
        for link in each(resource, *way):
            entry = inside.entry(link.get("reference", ""), number)
            target = inside.resource(entry) if entry is not None else None
            if target is None:
                continue
            if target["resourceType"] not in targets:
                return False
            asked = [one.url for url in targets[target["resourceType"]] if (one := known.profile(url)) is not None]
            if asked and not any(_conforms(target, url, known) for url in asked):
                return False
    return True


def _conforms(target: Mapping[str, Any], url: str, known: Known, *, quiet: bool = False) -> bool:
    """Return whether a resource plainly conforms to a profile; what it claims it is held to anyway."""
    if url in target.get("meta", _NOTHING).get("profile", ()):
        return True
    profiles = _profiles(known, quiet)
    claims: dict[str, list[Any]] = defaultdict(list)
    return url in profiles.asked and profiles.asked[url].put(target, claims) and profiles.judge.is_valid(claims)


_NOTHING: dict[str, Any] = {}


def _whole(bundle: Mapping[str, Any], inside: Inside) -> bool:
    """Return whether the Bundle holds together: addresses, requests, and what its urns lead to."""
    if bundle["type"] == "document":
        return False
    refused: list[str] = []

    def say(severity: str, code: str, issue: str, place: Place, sentence: str) -> None:
        if severity == "error":
            refused.append(code)

    root: Place = (None, "Bundle", -1)
    scope = Scope(bundle, bundle)
    entries = bundle.get("entry", ())
    links: list[Link] = []
    if bundle["type"] in _FOLLOWED or any(entry.get("fullUrl", "").startswith("urn:") for entry in entries):
        for number, entry in enumerate(entries):
            if "resource" in entry:
                place: Place = (root, "entry", number)
                found = _urns(entry["resource"], entry["resource"]["resourceType"])
                links += [Link(text, targets, place, scope) for text, targets in found]
    Bundle(dict(bundle), root, links, say, inside).check()
    return not refused


def _urns(node: Mapping[str, Any], name: str) -> Iterator[tuple[str, frozenset[str]]]:
    """Return the urn references below a node, each with the types it may lead to."""
    places = ways(name)
    for key in places.keys() & node.keys():
        nested, targets = places[key]
        value = node[key]
        for one in value if type(value) is list else (value,):
            if nested:
                yield from _urns(one, nested)
            elif (text := one.get("reference", "")).startswith("urn:"):
                yield text, targets


class _Judging(NamedTuple):
    """The judge of lists, and what puts into them what claims a profile or is of an extension, by its URL."""

    judge: jsonschema_rs.Draft202012Validator
    asked: Mapping[str, Asked]


@lru_cache(maxsize=8)
def _types(known: Known, quiet: bool) -> _Judging:
    schema, asked = types_schema(known, quiet=quiet)
    return _Judging(_validator(schema), asked)


@lru_cache(maxsize=8)
def _profiles(known: Known, quiet: bool) -> _Judging:
    schema, asked = claims_schema(known, quiet=quiet)
    return _Judging(_validator(schema), asked)


def _validator(schema: Schema) -> jsonschema_rs.Draft202012Validator:
    return jsonschema_rs.Draft202012Validator(schema, keywords=KEYWORDS, pattern_options=jsonschema_rs.RegexOptions())
